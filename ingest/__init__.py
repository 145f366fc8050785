"""Takes bytes in and keeps them: drop folder, serial line, originals, journal, store."""
