"""``python -m diagnose``."""

import gc
import sys

SELDOM = 200_000  # new objects between two looks for cyclic garbage; the knowledge alone makes tens of thousands that stay


def main() -> None:
    """Run the program; an interrupt while it is still being loaded ends like any other."""
    gc.set_threshold(SELDOM)
    try:
        from diagnose.cli import main as run
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        sys.exit(130)
    try:
        run()
    finally:
        gc.freeze()  # all that is left goes with the process; to look it through for cycles at the end only costs time


if __name__ == "__main__":
    main()
