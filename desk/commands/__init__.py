"""One module per area of the command line; each offers `register(app)`."""
