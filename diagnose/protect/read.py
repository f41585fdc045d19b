"""How do a boundary, a price list or a programme's demands get from a file into a plan?"""

from __future__ import annotations

import json
from os import PathLike
from pathlib import Path
from typing import Any

import yaml

from diagnose.cannot_use import CannotUse
from diagnose.protect.ground import Ground, ground_from_geojson

MOST_BYTES = 5_000_000  # no boundary or price list is larger; our choice


def read_boundary(path: str | PathLike[str], slope_percent: float = 0.0) -> Ground:
    """The land inside the polygon of a GeoJSON file. Raises CannotUse."""
    try:
        told = json.loads(_text(path))
    except ValueError:
        raise CannotUse(f"{Path(path).name} is no GeoJSON; export the boundary as a GeoJSON polygon") from None
    if not isinstance(told, dict):
        raise CannotUse(f"{Path(path).name} holds no GeoJSON object; export the boundary as a GeoJSON polygon")
    return ground_from_geojson(told, slope_percent)


def read_settings(path: str | PathLike[str]) -> dict[str, Any]:
    """The names and values of a YAML or JSON file: prices, stock, or a programme's demands. Raises CannotUse."""
    try:
        told = yaml.safe_load(_text(path))
    except yaml.YAMLError:
        raise CannotUse(f"{Path(path).name} is no YAML; write one 'name: value' a line") from None
    if not isinstance(told, dict) or not all(isinstance(key, str) for key in told):
        raise CannotUse(f"{Path(path).name} must hold 'name: value' lines")
    return told


def _text(path: str | PathLike[str]) -> str:
    file = Path(path)
    try:
        if file.stat().st_size > MOST_BYTES:
            raise CannotUse(f"{file.name} is larger than {MOST_BYTES // 1_000_000} MB; is it the right file?")
        return file.read_text(encoding="utf-8-sig")
    except OSError:
        raise CannotUse(f"{file} cannot be read; check the name") from None
    except UnicodeDecodeError:
        raise CannotUse(f"{file.name} is no text file") from None
