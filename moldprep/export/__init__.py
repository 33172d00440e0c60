"""Export formats, found by scanning this folder."""
