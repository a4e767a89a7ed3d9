"""The wheel holds what a render needs, and nothing else."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from this checkout with the tools at hand."""
    folder = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = folder.glob("sitzprobe-*-py3-none-any.whl")
    return built


@pytest.fixture(scope="module")
def names(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_every_preset_is_in_it(names: set[str]) -> None:
    """Halls, seating, arrays, materials, instruments, starter and the demo with its stems, byte for byte as many."""
    files = {p.relative_to(ROOT / "presets").as_posix() for p in (ROOT / "presets").rglob("*") if p.is_file()}
    packed = {name.removeprefix("rooms/_presets/") for name in names if name.startswith("rooms/_presets/")}
    assert packed == files
    assert {"halls/scoring-stage.toml", "demo/scene.toml", "demo/stems/cellos.flac", "scene.schema.json"} <= packed


def test_code_template_schema_and_types_are_in_it(names: set[str]) -> None:
    """Every module, the page's template, the report's schema and the marker of type hints."""
    modules = {p.relative_to(ROOT).as_posix() for package in ("rooms", "render") for p in (ROOT / package).glob("*.py")}
    assert modules <= names
    wanted = {
        "render/report.html.j2",
        "render/page.css",
        "render/cautions.html.j2",
        "render/report.schema.json",
        "render/py.typed",
        "rooms/py.typed",
    }
    assert wanted <= names


def test_nothing_else_is_in_it(names: set[str]) -> None:
    """Two packages and their metadata: no tests, no caches, no top-level presets to overwrite another's."""
    assert {name.split("/")[0].split("-")[0] for name in names} == {"rooms", "render", "sitzprobe"}
    assert not [name for name in names if "test" in name or "__pycache__" in name or name.endswith(".pyc")]


def test_it_finds_its_own_presets(wheel: Path, tmp_path: Path) -> None:
    """Unpacked elsewhere, not those of the checkout."""
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "site")
    code = "import rooms, rooms.catalogue as c; print(rooms.__file__); print(c.demo()); print(*c.names('halls'))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={"PYTHONPATH": str(tmp_path / "site")},
        capture_output=True,
        text=True,
        check=True,
    )
    module, demo, halls = done.stdout.splitlines()
    assert Path(module).parent == tmp_path / "site" / "rooms"
    assert Path(demo) == tmp_path / "site" / "rooms" / "_presets" / "demo" / "scene.toml"
    assert halls.split() == sorted(p.stem for p in (ROOT / "presets" / "halls").glob("*.toml"))


def test_it_names_its_command_and_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        (info,) = {name.split("/")[0] for name in archive.namelist() if ".dist-info/" in name}
        assert "sitzprobe = render.__main__:main" in archive.read(f"{info}/entry_points.txt").decode()
        assert archive.read(f"{info}/licenses/LICENSE") == (ROOT / "LICENSE").read_bytes()
