"""``digitize`` and ``python -m digitize`` begin here; a library that cannot be loaded gets one sentence too."""

import sys

try:
    from digitize.cli import main
except ImportError as error:
    print(error, file=sys.stderr)
    sys.exit(2)

if __name__ == "__main__":
    sys.exit(main())
