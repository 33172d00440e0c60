"""moldprep: casting model in, printable and checked sand mold out."""
