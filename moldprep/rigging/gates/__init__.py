"""Where channels go and how large they are: sites, sizes, trees, room."""
