"""Write the reference pages anew; with --check only say which are out of date."""

import sys

from . import pages


def main() -> int:
    """Write or compare; return the exit code."""
    stale = [path for path, text in pages.made().items() if pages.written(path) != text]
    if "--check" in sys.argv[1:]:
        for path in stale:
            sys.stderr.write(f"out of date: {path.name}; run script/entity-reference\n")
        return int(bool(stale))
    for path in stale:
        path.write_text(pages.made()[path], "utf-8")
        sys.stdout.write(f"written: {path.name}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
