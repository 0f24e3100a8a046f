"""Plan a knurl: blank, depth, how to run it; as words, JSON, a setup file, pictures and a sheet for the lathe."""
