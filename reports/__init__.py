"""An evaluation to documents, as bytes. Pure: rendering in memory only."""
