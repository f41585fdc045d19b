"""How do observations leave as a table whose every column is described for machines?

A data package is a descriptor, datapackage.json, beside the CSV file that it describes.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from diagnose.fieldlog.exchange import Rows, write_csv
from diagnose.fieldlog.wide import Column, columns
from diagnose.whole_file import write_whole

DESCRIPTOR = "datapackage.json"
TABLE = "observations.csv"


def write_data_package(rows: Rows, place: str | Path) -> Path:
    """Writes the table and its descriptor; returns the descriptor's path.

    Parameters
    ----------
    rows
        Observations as `wide` makes them, a frame or frames one after the other [no unit].
    place
        Of the descriptor, which is called datapackage.json; observations.csv appears beside it [no unit].

    References
    ----------
    .. [1] Data Package standard, version 2.0, and Table Schema, version 2.0: datapackage.org/standard.
    """
    place = Path(place)
    table = write_csv(rows, place.parent / TABLE)
    with table.open(encoding="utf-8-sig") as file:
        heading = file.readline().strip().split(",")
    fields = [_field(columns()[name]) for name in heading]
    described: dict[str, Any] = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "browse-damage-observations",
        "title": "Wounds on woody plants, with what was measured and answered and the likely cause of each",
        "resources": [{
            "name": "observations", "path": TABLE, "type": "table", "format": "csv", "mediatype": "text/csv",
            "encoding": "utf-8", "schema": {"fields": fields, "primaryKey": ["id"], "missingValues": [""]},
        }],
    }
    return write_whole(place, json.dumps(described, indent=1, ensure_ascii=False).encode())


def _field(column: Column) -> dict[str, Any]:
    unit = f" [{column.unit}]" if column.unit else ""
    told: dict[str, Any] = {"name": column.name, "type": column.kind, "description": f"{column.words}{unit}"}
    if column.unit:
        told["unit"] = column.unit
    if column.kind == "boolean":
        told |= {"trueValues": ["True", "true", "1"], "falseValues": ["False", "false", "0"]}
    if column.name == "id":
        told["constraints"] = {"required": True, "unique": True}
    return told
