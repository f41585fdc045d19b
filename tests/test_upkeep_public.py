"""Every public function of upkeep answers within its limits (low <= value <= high), or says why it cannot (CannotUse)."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
import random
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import diagnose.upkeep as room
from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import open_log
from diagnose.protect.ground import square_ground
from diagnose.protect.plan import plan_for
from diagnose.protect.planting import planting
from diagnose.upkeep.due import due_of
from diagnose.upkeep.fence import FenceLine, register_fence
from diagnose.upkeep.growth import Rate
from diagnose.upkeep.metal import metal
from diagnose.upkeep.outlook import Standing
from diagnose.upkeep.proof import proof
from diagnose.upkeep.register import check, register
from diagnose.upkeep.season import tasks
from diagnose.upkeep.standing import standing

ODD: tuple[Any, ...] = (math.nan, math.inf, -1.0, 0.0, 1e12, "", "castle")
ORDERED = (("low", "value", "high"), ("early", "likely", "late"), ("least", "middle", "most"))
_MODULES = [importlib.import_module(f"{room.__name__}.{one.name}") for one in pkgutil.iter_modules(room.__path__)
            if one.name != "benchmark"]
PUBLIC = {f"{module.__name__.rpartition('.')[2]}.{name}": each for module in _MODULES for name, each in vars(module).items()
          if inspect.isfunction(inspect.unwrap(each)) and each.__module__ == module.__name__ and not name.startswith("_")}


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A good value for each name that a parameter of upkeep has."""
    folder = tmp_path_factory.mktemp("public")
    log = open_log(folder / "log")
    own = register(log, "cage", site="s", label="A-1", inner_mm=200, built="2020-04-01", species="oak", lat=46.0, lon=-71.0)
    check(log, own, "sound", date(2026, 5, 1), stem_diameter_mm=40, height_mm=1700)
    fence = FenceLine(((-71.0, 46.0), (-71.001, 46.0)))
    register_fence(log, "fence", fence, 5.0, site="s", built="2020-04-01")
    there, on = standing(log), date(2026, 6, 1)
    plan = plan_for(planting(square_ground(2000), 50, ["deer_browsing"]))
    (folder / "line.geojson").write_text('{"type":"LineString","coordinates":[[0,1],[0,2]]}')
    (folder / "rows.csv").write_text("form\ncage\n")
    one = Standing("cage", on, 40.0, Rate(2, 5, 9), Rate(100, 300, 500), 900.0, 200.0)
    row = metal(log).to_dict("records")[0]
    return {
        "log": log, "form": "cage", "name": "closed", "species": "oak", "vigour": "usual", "what": "stem", "in_tube": False,
        "rates": np.array([[2.0, 5.0, 9.0]]), "default": np.array([[2.0, 5.0, 9.0]]), "plant": np.array([0, 0]),
        "kin": np.array([0]), "seasons": np.array([50.0, 52.0]), "sizes_mm": np.array([12.0, 30.0]), "sigma_mm": 1.5,
        "days": "2026-06-01", "climate": "mild", "south": False, "culprits": ("deer_browsing",), "snow_mm": 300.0,
        "stands_alone": None, "bark_safe": None, "stem_mm": 40.0, "inner_mm": 200.0, "one": one, "on": on,
        "tight_early": np.array([60.0]), "safe_late": np.array([58.0]), "start": np.array([56.0]), "size": np.array([40.0]),
        "limit": np.array([150.0]), "figures": {"part": "mesh_tube"}, "site": None, "register": there,
        "items": due_of(there, on),
        "rows": there.rows, "places": np.array([0]), "label": "U1-07", "plot": "", "given": "46.1,-71.6", "month": 6,
        "labels": ["U1-07", "U1-08"], "most": 3, "years": 3, "plan": plan, "planted_on": on, "built": date(2020, 4, 1),
        "guessed": False, "path": folder / "line.geojson", "line": fence, "error_m": 5.0, "buffer_m": 2.0, "row": row,
        "material": "steel", "is_of_metal": True, "place": folder / "rows.csv", "barrier": own, "barriers": [own],
        "finding": "sound", "day": on, "by": "AB", "embedded": False, "photo": None, "photo_name": "", "note": "",
        "widened_to_mm": None, "left_behind": "", "tags": (), "counts": [(3.0, 20.0)], "part": "mesh_tube", "published": 0.7,
        "plantings": [(1.0, 20.0, 0.4)], "cost_per_tree": 5.0, "lots_drawn": False, "told": proof(log),
        "made": datetime(2026, 6, 1), "removed": "2021-04-01",
    }


def _good(name: str, each: Callable[..., Any], given: dict[str, Any]) -> dict[str, Any]:
    taken = {one.name: given[one.name] for one in inspect.signature(each).parameters.values()
             if one.kind is one.POSITIONAL_OR_KEYWORD and (one.name in given or one.default is one.empty)}
    special: dict[str, dict[str, Any]] = {
        "growth.day_of_season": {"seasons": 56.5}, "growth.default_rate": {"what": "stem"},
        "register.figures_of": {"culprits": ("deer",)}, "forecast.narrowing_of": {"sizes_mm": [(date(2024, 5, 1), 30.0)]},
        "metal.write_metal": {"rows": metal(given["log"]), "place": given["place"].with_name("metal.geojson")},
        "fence.register_fence": {"form": "fence"}, "held.life_updated": {"published": 5.0, "plantings": [(0, 8.0, 1)]},
        "held.outside_less_inside": {"plantings": [((1.0, 20.0), (4.0, 10.0))]},
        "outlook.waits_for": {"snow_mm": 0.0}, "outlook.season_start": {"seasons": np.array([56.5])},
        "outlook.dates_of": {"seasons": np.array([56.5])}, "due.due": {"start": None}, "due.due_of": {"start": None},
        "walk.walk_order": {"start": None},
        "before.there_before": {"rows": [{"site": "a", "form": "cage", "label": "U1-07", "built": "2020-04-01"}]},
        "register.in_order": {"built": "2020-04-01"}, "register.find": {"barrier": "A-1"},
    }
    return taken | special.get(name, {})


def _held(value: Any) -> None:
    """All that has limits lies within them."""
    if is_dataclass(value) and not isinstance(value, type):
        own = {one.name: getattr(value, one.name) for one in fields(value)}
        for three in ORDERED:
            if all(own.get(name) is not None for name in three if name in own) and set(three) <= set(own):
                low, middle, high = (own[name] for name in three)
                assert low <= middle <= high, value
        for each in own.values():
            _held(each)
    elif isinstance(value, dict):
        for each in value.values():
            _held(each)
    elif isinstance(value, list | tuple) and not isinstance(value, str):
        for each in value[:50]:
            _held(each)
    elif isinstance(value, np.ndarray) and value.ndim == 2 and value.shape[1] in (3, 4) and value.dtype == float:
        assert (np.diff(value[:, [0, 1, -1]], axis=1) >= 0).all() or (np.diff(value[:, [0, 1, -1]], axis=1) <= 0).all()


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_a_public_function_answers_within_its_limits_or_says_why_it_cannot(name: str, given: dict[str, Any]) -> None:
    each = PUBLIC[name]
    good = _good(name, each, given)
    result = each(**good)
    _held(list(result) if inspect.isgenerator(result) else result)
    chance = random.Random(name)
    for parameter, value in good.items():
        if not isinstance(value, int | float | str) or isinstance(value, bool) or parameter in ("by", "note", "photo_name"):
            continue
        for odd in chance.sample(ODD, len(ODD)):
            if isinstance(value, str) is isinstance(odd, str):
                try:
                    told = each(**{**good, parameter: odd})
                except CannotUse as refused:
                    assert "\n" not in str(refused)
                else:
                    _held(list(told) if inspect.isgenerator(told) else told)


def test_every_public_function_names_its_parameters_and_says_what_it_returns() -> None:
    for name, each in PUBLIC.items():
        told = inspect.getdoc(each) or ""
        parameters = [one for one in inspect.signature(each).parameters if one not in ("log",)]
        assert told, name
        if len(parameters) > 1:
            assert "Parameters\n---" in told, name


def test_the_tasks_of_the_year_are_frozen_and_every_frame_is_a_frame(given: dict[str, Any]) -> None:
    with pytest.raises(AttributeError):
        tasks()[0].key = "other"  # type: ignore[misc]
    assert isinstance(given["rows"], pd.DataFrame) and Path(given["path"]).exists()
