"""The list of files holds every file and number, and opens in a spreadsheet."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from render.file_list import COLUMNS, write_file_list
from render.report import WrittenFile
from rooms.errors import InputError

MIX = WrittenFile(
    "mix/a, b.wav",
    48000,
    2,
    96_001,
    -6.5,
    -23.04,
    -6.25,
    what='stereo "mix"',
    encoding="pcm24",
    start_samples=172_800_048,
    channel_names=("left", "right"),
    gain_db=0.0,
)
CAPSULES = WrittenFile(
    "mix/Höhe.wav",
    44100,
    3,
    0,
    None,
    None,
    None,
    "no layout",
    what="capsules of array Höhe",
    encoding="float32",
    start_samples=0,
    channel_names=("l", "r", "c"),
    gain_db=1.5,
)


def test_every_number_comes_back(tmp_path: Path) -> None:
    """Read by the standard library; commas, quotes and umlauts survive; no number is made up where there is none."""
    path = tmp_path / "files.csv"
    write_file_list([MIX, CAPSULES], path)
    assert path.read_bytes().startswith("\ufeffpath,what".encode())
    with path.open(encoding="utf-8-sig", newline="") as file:
        mix, capsules = csv.DictReader(file)
    assert tuple(mix) == COLUMNS
    assert mix == {
        "path": "mix/a, b.wav",
        "what": 'stereo "mix"',
        "encoding": "pcm24",
        "start_samples": "172800048",
        "start_s": "3600.001000",
        "sample_rate_hz": "48000",
        "length_samples": "96001",
        "length_s": "2.000021",
        "channels": "2",
        "channel_names": "left; right",
        "gain_db": "0.00",
        "peak_dbfs": "-6.50",
        "loudness_lufs": "-23.04",
        "true_peak_dbtp": "-6.25",
        "reason": "",
    }
    assert capsules["path"] == "mix/Höhe.wav"
    assert (capsules["channels"], capsules["channel_names"], capsules["gain_db"]) == ("3", "l; r; c", "1.50")
    assert capsules["peak_dbfs"] == capsules["loudness_lufs"] == capsules["true_peak_dbtp"] == ""
    assert capsules["reason"] == "no layout"


def test_another_reader_finds_the_same_table(tmp_path: Path) -> None:
    """NumPy's, which knows quotes as well."""
    path = tmp_path / "files.csv"
    write_file_list([MIX, CAPSULES], path)
    table = np.loadtxt(path, delimiter=",", quotechar='"', dtype=str, encoding="utf-8-sig")
    assert table.shape == (3, len(COLUMNS))
    assert table[1, 1] == 'stereo "mix"'


def test_a_list_that_cannot_be_written_is_one_line_and_keeps_the_old_one(tmp_path: Path) -> None:
    """As all files of a render."""
    with pytest.raises(InputError, match=r"cannot write .*files\.csv"):
        write_file_list([MIX], tmp_path / "missing" / "files.csv")
