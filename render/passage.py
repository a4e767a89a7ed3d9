"""A passage of a cue: from when to when, as people write it and in samples."""

from __future__ import annotations

from dataclasses import dataclass

from rooms.errors import InputError

__all__ = ["Passage", "parse_time"]


@dataclass(frozen=True)
class Passage:
    """Part of a cue.

    Parameters
    ----------
    start_s : float
        s after the cue's start.
    end_s : float or None
        s after the cue's start; None: to the end of the tail.
    """

    start_s: float
    end_s: float | None

    @property
    def label(self) -> str:
        """What tells its files from those of the whole cue."""
        return f"{self.start_s:.3f}-" + ("end" if self.end_s is None else f"{self.end_s:.3f}s")

    def samples(self, cue: str, rate: int, total: int) -> tuple[int, int]:
        """Return its first sample and the one after its last, in a cue that is rendered to so many samples.

        Raises
        ------
        InputError
            If it is empty or not in the cue.
        """
        first = round(self.start_s * rate)
        last = total if self.end_s is None else round(self.end_s * rate)
        if first >= last:
            raise InputError(f"a passage from {self.start_s:g} s to {last / rate:g} s holds nothing; begin it earlier")
        if last > total:
            raise InputError(
                f"cue '{cue}' is {total / rate:.3f} s long, tail included; found a passage to {last / rate:g} s; "
                f"allowed: up to {int(total / rate * 1000) / 1000:g} s"
            )
        return first, last


def parse_time(text: str) -> float:
    """Return a time in s: ``12``, ``12.5``, ``1:02.5`` for a minute and more, ``1:02:03`` for an hour and more.

    Raises
    ------
    InputError
        If it is no such time.
    """
    *leading, seconds = text.strip().split(":")
    whole, _, fraction = seconds.partition(".")
    digits = [*leading, whole]
    numbers = len(leading) <= 2 and all(d.isascii() and d.isdigit() for d in [*digits, fraction or "0"])
    if not numbers or any(int(d) >= 60 for d in digits[1:]):
        raise InputError(f"found the time '{text}'; allowed: seconds, m:ss or h:mm:ss, such as 72.5 or 1:12.5")
    whole_s = sum(int(d) * sixty for d, sixty in zip(reversed(digits), (1, 60, 3600), strict=False))
    return whole_s + float(f"0.{fraction or 0}")
