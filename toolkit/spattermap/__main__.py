"""``python -m spattermap`` does what the command ``spattermap`` does."""

import sys

from spattermap.cli import main

if __name__ == "__main__":
    sys.exit(main())
