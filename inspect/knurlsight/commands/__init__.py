"""The commands: options in, exit status out. One module a command, loaded when it is called."""
