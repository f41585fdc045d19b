"""A layer opens with its verdicts told apart, in open styles that a reader of its own takes."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

import pyogrio
import pytest

from diagnose.fieldlog.geopackage import write_geopackage
from diagnose.fieldlog.layer_style import looks
from diagnose.fieldlog.store import open_log

LEADING = ("deer", "roe_deer", None, "deer", "<&\">")


@pytest.fixture
def layer(tmp_path: Path) -> Path:
    """A layer of three verdicts, one of them as odd as an older log may hold, and one observation without."""
    log = open_log(tmp_path / "log")
    for leading in LEADING:
        log.save_observation(lat=46.0, lon=-71.0, leading=leading)
    return write_geopackage(log.observations(), tmp_path / "a.gpkg")


def _style(layer: Path, column: str) -> str:
    with closing(sqlite3.connect(layer)) as file:
        (found,) = file.execute(f"select {column} from layer_styles where f_table_name = 'observation' and useAsDefault")
    return str(found[0])


def test_every_verdict_of_the_layer_has_one_mark_and_none_has_its_own(layer: Path) -> None:
    sld = ElementTree.fromstring(_style(layer, "styleSLD").encode())
    named = {"s": "http://www.opengis.net/sld", "o": "http://www.opengis.net/ogc"}  # OGC 02-070
    rules = sld.findall(".//s:Rule", named)
    assert {literal.text for literal in sld.findall(".//o:Literal", named)} == set(LEADING) - {None}
    assert len(rules) == 4 and len(sld.findall(".//o:PropertyIsNull", named)) == 1
    marks = {tuple(rule.findtext(f".//s:{part}", "", named) for part in ("WellKnownName", "CssParameter")) for rule in rules}
    assert len(marks) == 4


def test_both_forms_of_the_style_mark_the_same_verdicts(layer: Path) -> None:
    renderer = ElementTree.fromstring(_style(layer, "styleQML").split("\n", 1)[1])
    categories = renderer.findall(".//category")
    assert {one.get("value") or None for one in categories} == set(LEADING)
    assert {one.get("symbol") for one in categories} == {one.get("name") for one in renderer.findall(".//symbol")}


def test_a_style_beside_it_does_not_change_what_gdal_reads_of_the_layer(layer: Path) -> None:
    read = pyogrio.read_dataframe(layer, layer="observation")
    assert sorted(read["leading"].fillna("")) == sorted(one or "" for one in LEADING)
    assert (read.geometry.x == -71.0).all()


def test_eight_verdicts_are_told_apart_in_any_order() -> None:
    names = ["deer", "rabbit", "hare", "vole_surface", "beaver", "porcupine", "slug", "frost"]
    marks = looks(names)
    assert marks == looks(reversed(names))
    assert len({(one.colour, one.shape) for one in marks}) == 9
