"""``python -m coatclass`` is the command ``coatclass``."""

from coatclass.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
