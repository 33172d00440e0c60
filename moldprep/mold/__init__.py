"""The sand around the metal, cut into pieces, and what those pieces can bear."""
