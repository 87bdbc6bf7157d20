"""SIGINT and SIGTERM end a command that stays up, however it was started."""

from __future__ import annotations

import signal

_SIGNALS = (signal.SIGINT, signal.SIGTERM)


def end_on_signals(*, unfinished: bool = False) -> None:
    """From now on the first SIGINT or SIGTERM raises SystemExit; later ones do not interrupt the clean-up.

    The status is 0, and 128 + n by signal n where something is left `unfinished`: a clean stop is no failure
    to whatever supervises the command. A shell starts `command &` of a script with SIGINT ignored, and a parent
    can leave both signals blocked.
    """

    def end(number: int, _: object) -> None:
        for one in _SIGNALS:
            signal.signal(one, signal.SIG_IGN)
        raise SystemExit(128 + number if unfinished else 0)

    for one in _SIGNALS:
        signal.signal(one, end)
    let_signals_through()


def hold_signals_back() -> None:
    """Both signals wait, so that none arrives between the start of a child and the block that ends it."""
    signal.pthread_sigmask(signal.SIG_BLOCK, _SIGNALS)


def let_signals_through() -> None:
    """Both signals arrive again, with those that waited."""
    signal.pthread_sigmask(signal.SIG_UNBLOCK, _SIGNALS)
