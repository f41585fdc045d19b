"""The map shows what warns first, in warning colours, and each place with the circle of its error."""

from __future__ import annotations

from typing import Any

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
