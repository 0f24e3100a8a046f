"""One module a migration, in order."""
