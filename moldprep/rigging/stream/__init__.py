"""Metal on its way: real contacts, a network of pipes, the rising level, air."""
