"""HTML pages from templates: one look, numbers as people read them, nothing fetched from elsewhere."""

from __future__ import annotations

import math
from importlib.resources import files as package_files
from typing import Any

import jinja2

__all__ = ["duration_text", "number_text", "page"]


def page(template: str, **values: Any) -> str:
    """Return a page as one self-contained text.

    Parameters
    ----------
    template : str
        Name of a file in this package; it may include others, such as ``page.css``.
    **values
        What the template shows; one that it names and doesn't get is an error.
    """
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: package_files("render").joinpath(name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"number": number_text, "duration": duration_text, "known": _known_text}
    return environment.get_template(template).render(**values)


def number_text(value: float | None, digits: int = 1, signed: bool = False) -> str:
    """Return a number for reading, with a true minus sign; a dash for none."""
    if value is None:
        return "–"
    value = round(value, digits) + 0.0  # no minus before a zero
    text = f"{value:+.{digits}f}" if signed else f"{value:.{digits}f}"
    return text.replace("-", "−")


def duration_text(seconds: float) -> str:
    """Return minutes and seconds."""
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths % 600 / 10:04.1f}"


def _known_text(value: float, digits: int = 1) -> str:
    """Return a number for reading; a dash for NaN."""
    return number_text(value if math.isfinite(value) else None, digits)
