"""``python -m diagnose``."""

import sys


def main() -> None:
    """Run the program; an interrupt while it is still being loaded ends like any other."""
    try:
        from diagnose.cli import main as run
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        sys.exit(130)
    run()


if __name__ == "__main__":
    main()
