"""`python -m diagnose.cli` is `diagnose`."""

import sys

from diagnose.cli import main

if __name__ == "__main__":
    sys.exit(main())
