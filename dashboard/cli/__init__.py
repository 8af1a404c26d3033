"""The console command ``slewtrace``, as far as it must be there at once.

What this module imports is small, so that Ctrl-C finds :func:`main` ready. Running stands in
:mod:`dashboard.cli.running`, the commands in :mod:`dashboard.cli.commands`.
"""

import os
import signal

INTERRUPTED = 130
"""What shells give for a program that Ctrl-C ended: 128 + SIGINT."""


def main() -> None:
    """Runs the command line; a person's mistake is one line and exit code 2."""
    is_ours = _end_at_once()
    try:
        from dashboard.cli.running import run  # noqa: PLC0415 - read when Ctrl-C is ready
    finally:
        if is_ours:
            signal.signal(signal.SIGINT, signal.default_int_handler)
    run()


def _end_at_once() -> bool:
    """Lets Ctrl-C end the program at once and without a word, while it reads its libraries.

    Nothing is under way then, and an interrupt raised in them would be told in many lines.

    Returns:
        Whether it does so now; not where it is ignored (as under ``nohup``) or somebody else's.
    """
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        return False
    try:
        signal.signal(signal.SIGINT, lambda *_: os._exit(INTERRUPTED))
    except ValueError:  # not in the main thread, which alone has signals
        return False
    return True


def __getattr__(name: str) -> object:
    """The commands, ``app``, read when they are asked for."""
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from dashboard.cli.commands import app  # noqa: PLC0415 - as above

    return app
