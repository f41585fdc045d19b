"""Every figure of the bundled photos, as this measuring gives it. `python -m tests.bundled_figures` writes them anew.

They are no truth: they only tell that something changed, so that the number of the measuring is raised. Processors
reckon with different instructions and round differently. Run here with those of older ones, and with one library's own
routines left out, nearly all figures stayed within 0.09 of their sigma, sigmas within 7 %, shares within 0.009; where a
figure went farther, what it was there is kept under `elsewhere`.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import yaml

from diagnose.diagnosis import measure_picture
from diagnose.measure.number import NUMBER
from diagnose.measure.record import Measurement
from diagnose.photo.picture import read_picture
from diagnose.signs import signs_as_json
from diagnose.validation.accuracy import PHOTOS, measured_scenes

FILE = Path(__file__).with_suffix(".yaml")
SIGMAS = 0.15  # a value may differ by so many of its sigmas
SIGMA = 0.10  # and the sigma itself by this share
SHARE = 0.02  # a share or a bound by so much of the whole, a bound of a length by so much of its upper one
OLDER = (
    {"OPENBLAS_CORETYPE": "Nehalem", "NPY_DISABLE_CPU_FEATURES": "X86_V3,X86_V4"},
    {"OPENCV_CPU_DISABLE": "AVX2"},
    {"OPENCV_IPP": "disabled"},
)

Figures = Mapping[str, Mapping[str, Any]]


def bundled_figures() -> dict[str, dict[str, Any]]:
    """Photo and way of measuring -> sign -> value and sigma, bounds or shares."""
    found = {f"{scene.name}, {scene.how}": _figures(scene.measurement) for scene in measured_scenes()}
    for path in sorted(PHOTOS.rglob("*.jpg")):
        name = f"{path.parent.name}/{path.stem}, as it came in"
        found[name] = _figures(measure_picture(read_picture(path))[1])
    return found


def _figures(measurement: Measurement) -> dict[str, Any]:
    return json.loads(json.dumps(signs_as_json(measurement.measured)))


def same(a: Any, b: Any) -> bool:
    """Whether two figures are one within what processors differ by."""
    if not (isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys()):
        return bool(a == b)
    if "sigma" in a:
        larger = max(a["sigma"], b["sigma"])
        return abs(a["value"] - b["value"]) <= SIGMAS * larger and larger - min(a["sigma"], b["sigma"]) <= SIGMA * larger
    whole = max(1.0, a["high"]) if "high" in a else 1.0
    return all(abs(a[name] - b[name]) <= SHARE * whole for name in a)


def changed(told: Figures, kept: Figures, elsewhere: Mapping[str, Mapping[str, list[Any]]]) -> Iterator[str]:
    """A line for each figure that is not what was kept."""
    for name in sorted({*told, *kept}):
        now, before = told.get(name, {}), kept.get(name, {})
        for sign in sorted({*now, *before}):
            known = [before.get(sign), *elsewhere.get(name, {}).get(sign, ())]
            if not any(same(now.get(sign), one) for one in known):
                yield f"{name}: {sign} was {before.get(sign)}, is {now.get(sign)}"


def _write(out: Path) -> None:
    here = bundled_figures()
    elsewhere: dict[str, dict[str, list[Any]]] = {}
    for older in OLDER:
        asked = [sys.executable, "-c", "import json; from tests.bundled_figures import bundled_figures as figures; "
                                       "print(json.dumps(figures()))"]
        run = subprocess.run(asked, env={**os.environ, **older}, capture_output=True, text=True, check=True)
        for name, signs in json.loads(run.stdout).items():
            for sign, figure in signs.items():
                others = elsewhere.setdefault(name, {}).setdefault(sign, [])
                if not any(same(figure, one) for one in [here[name].get(sign), *others]):
                    others.append(figure)
    apart = {name: {sign: others for sign, others in signs.items() if others} for name, signs in elsewhere.items()}
    told = {"number": NUMBER, "figures": here, "elsewhere": {name: signs for name, signs in apart.items() if signs}}
    out.write_text(yaml.safe_dump(told, sort_keys=False, default_flow_style=None, width=125), encoding="utf-8")


if __name__ == "__main__":
    _write(FILE)
