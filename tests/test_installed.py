"""What stands in the README works from an installed package, without a clone beside it."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import venv
import zipfile
from email.parser import Parser
from pathlib import Path
from typing import Any

import pytest

import diagnose
from diagnose.cli import main
from tests.conftest import words_of

TOP = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The Python of an empty environment that holds the built wheel, and borrows only the packages it needs."""
    where = tmp_path_factory.mktemp("installed")
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(where)], cwd=TOP, check=True,
                   capture_output=True)
    venv.create(where / "venv", symlinks=True)
    python = where / "venv" / "bin" / "python"
    ask = [str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]
    packages = Path(subprocess.run(ask, check=True, capture_output=True, text=True).stdout.strip())
    with zipfile.ZipFile(next(where.glob("*.whl"))) as wheel:
        wheel.extractall(packages)
    borrowed = {str(Path(module.__file__ or "").parents[1]) for module in (pytest, __import__("cv2"))}
    (packages / "borrowed.pth").write_text("\n".join(sorted(borrowed)), encoding="utf-8")
    return python


def _run(python: Path, *words: str, binary: bool = False) -> subprocess.CompletedProcess[Any]:
    around = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    return subprocess.run([str(python), *words], cwd=python.parent, env=around, capture_output=True, text=not binary,
                          timeout=560)


def test_the_wheel_tells_its_licence_its_extras_and_the_licences_of_what_it_brings(installed: Path) -> None:
    with zipfile.ZipFile(next(installed.parents[2].glob("*.whl"))) as wheel:
        (metadata,) = (name for name in wheel.namelist() if name.endswith(".dist-info/METADATA"))
        told = Parser().parsestr(wheel.read(metadata).decode())
        licences = {name.partition("/licenses/")[2] for name in wheel.namelist() if "/licenses/" in name}
        assert "the contributors of this project" in wheel.read(metadata.replace("METADATA", "licenses/LICENSE")).decode()
    assert (told["Version"], told["License-Expression"]) == (diagnose.__version__, "MIT")
    assert {"app", "gis", "login", "many", "server", "train"} <= set(told.get_all("Provides-Extra"))
    assert licences == {"LICENSE", "diagnose/eye/LICENCE.txt", "diagnose/places/LICENCE.txt",
                        "diagnose/report/fonts/LICENSE.txt"}


def test_the_sdist_makes_the_same_wheel(installed: Path, tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path)], cwd=TOP, check=True,
                   capture_output=True)
    with tarfile.open(next(tmp_path.glob("*.tar.gz"))) as packed:
        packed.extractall(tmp_path, filter="data")
    (source,) = (each for each in tmp_path.iterdir() if each.is_dir())
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)], cwd=source, check=True,
                   capture_output=True)

    def held(folder: Path) -> dict[str, int]:
        with zipfile.ZipFile(next(folder.glob("*.whl"))) as wheel:
            return {each.filename: each.CRC for each in wheel.infolist()}

    assert held(tmp_path) == held(installed.parents[2])


def test_the_wheel_measures_and_judges_a_photo_and_is_a_library(installed: Path) -> None:
    photo = TOP / "reference_cases" / "photos" / "twig_on_card" / "IMG_0016.jpg"
    done = _run(installed, "-m", "diagnose.cli", "photo", str(photo), "--region", "DE", "--month", "2")
    readme = (TOP / "README.md").read_text("utf-8")
    assert done.returncode == 0, done.stderr
    assert "Most likely rabbit or hare" in done.stdout and done.stdout.split("\n\n")[0] in readme
    done = _run(installed, "-c", "import diagnose; print(diagnose.judge({'wound': 'severed_shoot'}).verdict.first)")
    assert done.returncode == 0 and done.stdout.strip()


def test_the_wheel_checks_itself_without_a_clone(installed: Path) -> None:
    where = _run(installed, "-c", "import diagnose; print(diagnose.__file__)").stdout
    assert str(installed.parents[1]) in where and str(Path(diagnose.__file__).parent) not in where
    done = _run(installed, "-c", "from diagnose.cli import main; main()", "check", "--part", "measurements",
                "--part", "simulated", "--part", "verdicts")
    assert done.returncode == 0, done.stderr
    for told in ("end diameter, on card", "wound height [mm], by staff", "400 simulated pictures",
                 "Verdicts on published cases"):
        assert told in done.stdout
    assert "clone" not in done.stderr


def test_a_part_of_the_check_that_cannot_run_says_why_and_the_rest_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from diagnose.validation import accuracy

    monkeypatch.setattr(accuracy, "PHOTOS", tmp_path)
    assert main(["check", "--part", "measurements", "--part", "simulated"]) == 1
    told = capsys.readouterr()
    assert "400 simulated pictures" in told.out
    assert "measurements left out" in told.err and "clone of the repository" in told.err
    assert len(told.err.strip().splitlines()) == 1


def test_the_wheel_sets_letters_in_its_own_font(installed: Path) -> None:
    done = _run(installed, "-c", "import sys; from diagnose.report.letters import as_pdf; "
                                 "sys.stdout.buffer.write(as_pdf('Dear Łukasz,'))", binary=True)
    assert "Dear Łukasz," in words_of(done.stdout)
