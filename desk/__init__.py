"""The terminal command and the local page: the composition root, imported by nobody."""
