"""``python -m diagnose``."""

from diagnose.cli import main

if __name__ == "__main__":
    main()
