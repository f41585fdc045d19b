"""The map shows what warns first, in warning colours, and each place with the circle of its error."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pytest

from diagnose.screens.plain_map import map_of


def _drawn(*drawn_as: str) -> dict[str, Any]:
    places = pd.DataFrame({"lat": [46.1 + 0.0001 * at for at in range(len(drawn_as))], "lon": -71.6, "error_m": 8.0,
                           "culprit": drawn_as, "label": "A1"})
    told: dict[str, Any] = map_of(places, alarms=("ALARM", "Overdue")).to_dict(validate=False)
    return told


def _colours(told: dict[str, Any]) -> dict[str, str]:
    scale = next(layer["encoding"]["color"]["scale"] for layer in told["layer"] if "color" in layer.get("encoding", {}))
    return dict(zip(scale["domain"], scale["range"], strict=True))


@pytest.mark.parametrize("kinds", [("nothing due", "Overdue", "ALARM"), ("Overdue",), ("nothing due",)])
def test_what_warns_is_red_or_amber_and_leads_the_legend_and_nothing_else_is(kinds: tuple[str, ...]) -> None:
    colours = _colours(_drawn(*kinds))
    warning = {"ALARM": "#D00000", "Overdue": "#E69F00"}
    assert list(colours)[:len(kinds) - kinds.count("nothing due")] == [kind for kind in warning if kind in kinds]
    for kind, colour in colours.items():
        assert colour == warning[kind] if kind in warning else colour not in warning.values()


def test_each_place_is_one_symbol_as_wide_as_its_error_and_not_a_line_of_many_rows() -> None:
    told = _drawn("ALARM", "Overdue", "nothing due")
    sizes = [layer["mark"]["size"]["expr"] for layer in told["layer"] if isinstance(layer["mark"].get("size"), dict)]
    assert len(sizes) == 1 and "datum.error_m" in sizes[0]
    assert max(len(rows) for rows in told["datasets"].values()) < 100


def _coast(*places: tuple[float, float]) -> pd.DataFrame | None:
    """The rows of coasts and borders on a map of these latitudes and longitudes; None where it has none."""
    lat, lon = zip(*places, strict=True)
    told: dict[str, Any] = map_of(pd.DataFrame({"lat": lat, "lon": lon, "error_m": 8.0, "culprit": "deer",
                                       "label": "A1"})).to_dict(validate=False)
    found = [rows for rows in told["datasets"].values() if rows and rows[0].get("what") == "coast"]
    return pd.DataFrame(found[0]) if found else None


def test_an_overview_has_the_coast_where_it_is_and_a_plantings_map_has_none() -> None:
    """Land's End, 50 deg 4 min north, 5 deg 43 min west (from memory, as gazetteers give it)."""
    coast = _coast((50.3, -5.0), (52.0, -1.0), (55.9, -3.2))
    assert coast is not None
    far_km = 111.2 * np.hypot(coast["lat"] - 50.066, (coast["lon"] + 5.717) * np.cos(np.radians(50)))
    assert far_km.min() < 4
    assert _coast((50.066, -5.716), (50.067, -5.714)) is None


def test_a_long_name_stands_in_the_legend_whole_in_several_lines() -> None:
    name = "roe, white-tailed or another deer of that size"
    told = _drawn(name, "nothing due")
    legend = next(layer["encoding"]["color"]["legend"] for layer in told["layer"] if "color" in layer.get("encoding", {}))
    assert legend["labelLimit"] == 0
    lines = json.loads(legend["labelExpr"].removesuffix("[datum.label]")[1:-1])[name]
    assert " ".join(lines) == name and max(map(len, lines)) < 20
