"""How does a layer of observations look when a GIS opens it: which colour and shape for which verdict?

The style is written in the open Styled Layer Descriptor and as the default style of the layer in the table `layer_styles`,
where desktop GIS look for it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import NamedTuple
from xml.sax.saxutils import escape, quoteattr

from diagnose.culprits.old_names import name_of

# hues that colour-blind eyes can tell apart (Okabe and Ito 2008), each with a shape of its own
_LOOKS = (("#D55E00", "circle"), ("#0072B2", "square"), ("#009E73", "triangle"), ("#CC79A7", "star"), ("#E69F00", "cross"),
          ("#56B4E9", "circle"), ("#F0E442", "square"), ("#000000", "triangle"))
_UNTOLD = ("#FFFFFF", "circle")  # where no culprit leads
_TABLE = """
create table layer_styles (id integer primary key autoincrement not null, f_table_catalog text, f_table_schema text,
  f_table_name text, f_geometry_column text, styleName text, styleQML text, styleSLD text, useAsDefault boolean,
  description text, owner text, ui text, update_time datetime);
"""


class Look(NamedTuple):
    """How one verdict is marked.

    Parameters
    ----------
    leading, words
        As the column holds it, None where none leads, and in the legend [no unit].
    colour, shape
        Of the mark [no unit].
    """

    leading: str | None
    words: str
    colour: str
    shape: str


def looks(leading: Iterable[str | None]) -> list[Look]:
    """A mark for each verdict, in alphabetical order of the words; last the one for what cannot be told.

    Eight marks are told apart; from the ninth verdict on they repeat.

    Parameters
    ----------
    leading
        Values of the column `leading`, in any order, each as often as it stands there [no unit].

    References
    ----------
    .. [1] Okabe, M., Ito, K. (2008), Color Universal Design.
    """
    named = sorted({one for one in leading if one}, key=name_of)
    told = [Look(one, name_of(one), *_LOOKS[number % len(_LOOKS)]) for number, one in enumerate(named)]
    return [*told, Look(None, "cannot tell", *_UNTOLD)]


def as_sld(layer: str, marks: Iterable[Look]) -> str:
    """The style as a Styled Layer Descriptor.

    Parameters
    ----------
    layer
        Name of the layer [no unit].
    marks
        Of `looks` [no unit].

    References
    ----------
    .. [1] OGC 02-070, Styled Layer Descriptor Implementation Specification 1.0.0.
    """
    rules = "".join(
        f"<Rule><Name>{escape(one.words)}</Name><Title>{escape(one.words)}</Title><ogc:Filter>{_filter(one.leading)}</ogc:Filter>"
        f"<PointSymbolizer><Graphic><Mark><WellKnownName>{one.shape}</WellKnownName>"
        f'<Fill><CssParameter name="fill">{one.colour}</CssParameter></Fill>'
        '<Stroke><CssParameter name="stroke">#17201D</CssParameter></Stroke></Mark><Size>10</Size></Graphic>'
        "</PointSymbolizer></Rule>" for one in marks)
    return ('<?xml version="1.0" encoding="UTF-8"?>\n<StyledLayerDescriptor version="1.0.0" '
            'xmlns="http://www.opengis.net/sld" xmlns:ogc="http://www.opengis.net/ogc">'
            f"<NamedLayer><Name>{escape(layer)}</Name><UserStyle><Name>verdict</Name><FeatureTypeStyle>{rules}"
            "</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>\n")


def _filter(leading: str | None) -> str:
    name = "<ogc:PropertyName>leading</ogc:PropertyName>"
    if leading is None:
        return f"<ogc:PropertyIsNull>{name}</ogc:PropertyIsNull>"
    return f"<ogc:PropertyIsEqualTo>{name}<ogc:Literal>{escape(leading)}</ogc:Literal></ogc:PropertyIsEqualTo>"


def as_qml(marks: Iterable[Look]) -> str:
    """The same style as the settings of a categorised layer, which a desktop GIS takes from the table by itself.

    Parameters
    ----------
    marks
        Of `looks` [no unit].
    """
    categories, symbols = "", ""
    for number, one in enumerate(marks):
        colour = ",".join(str(int(one.colour[at : at + 2], 16)) for at in (1, 3, 5)) + ",255"
        options = {"color": colour, "name": one.shape, "outline_color": "23,32,29,255", "size": "3"}
        symbols += (f'<symbol type="marker" name="{number}"><layer class="SimpleMarker"><Option type="Map">' + "".join(
            f'<Option type="QString" name="{name}" value="{value}"/>' for name, value in options.items())
            + "</Option></layer></symbol>")
        value = quoteattr(one.leading or "")
        categories += f'<category symbol="{number}" value={value} label={quoteattr(one.words)} render="true"/>'
    return ('<!DOCTYPE qgis PUBLIC \'http://mrcc.com/qgis.dtd\' \'SYSTEM\'>\n<qgis styleCategories="Symbology">'
            f'<renderer-v2 type="categorizedSymbol" attr="leading"><categories>{categories}</categories>'
            f"<symbols>{symbols}</symbols></renderer-v2></qgis>\n")


def write_style(file: sqlite3.Connection, layer: str, column: str, moment: str) -> None:
    """Gives a layer of an open GeoPackage its style, as the one that it opens with.

    Parameters
    ----------
    file
        The GeoPackage, whose layer has a column `leading` [no unit].
    layer, column
        Names of the layer and of its geometry [no unit].
    moment
        ISO 8601, in UTC [no unit].
    """
    marks = looks(row[0] for row in file.execute(f"select distinct leading from {layer}"))
    file.executescript(_TABLE)
    file.execute("insert into layer_styles values (1, '', '', ?, ?, 'verdict', ?, ?, 1, ?, '', null, ?)",
                 (layer, column, as_qml(marks), as_sld(layer, marks), "the likeliest culprit of each wound", moment))
    file.execute("insert into gpkg_contents values ('layer_styles','attributes','layer_styles','how layers look',?,"
                 "null,null,null,null,null)", (moment,))
