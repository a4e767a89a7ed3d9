"""The program's start: from its first line on, Ctrl-C ends it in a line, also while the rest is being loaded."""

from __future__ import annotations

import os
import signal
from types import FrameType

__all__ = ["main"]

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells have it: 128 + SIGINT."""


def main() -> None:
    """Run the command line."""
    # Not raised: libraries that are being loaded may be left half way, or swallow it.
    signal.signal(signal.SIGINT, _leave)
    from render.cli import main as command

    command(prog_name="sitzprobe")


def _leave(_number: int, _frame: FrameType | None) -> None:
    """Say that Ctrl-C was heard and end the process at once; nothing is being written yet."""
    os.write(2, b"sitzprobe: interrupted\n")
    os._exit(INTERRUPTED)


if __name__ == "__main__":
    main()
