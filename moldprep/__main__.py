"""python -m moldprep."""

import sys

from moldprep.cli import main

if __name__ == "__main__":
    sys.exit(main())
