"""``python -m forecast`` is the same as ``forecast``."""

import sys

from forecast.cli import main

if __name__ == "__main__":
    sys.exit(main())
