"""When the metal freezes, and whether it is fed."""
