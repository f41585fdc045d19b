"""How do observations become a Darwin Core archive that biodiversity archives read?

The damaged plant is the occurrence; signs and verdict are measurements on it; photos are its media. A visited
plant without damage is a measurement, not an absence. References: Darwin Core text guide (TDWG); GBIF's data
quality requirements for occurrence datasets; row types from rs.gbif.org; EML 2.2.0, eml-resource and eml-coverage.
"""

from __future__ import annotations

import csv
import json
import re
import uuid
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from xml.sax.saxutils import quoteattr

from diagnose.fieldlog.exchange import Rows, _plain, _xml
from diagnose.knowledge import knowledge
from diagnose.signs import vocabulary
from diagnose.whole_file import beside

_DWC = "http://rs.tdwg.org/dwc/terms/"
_DC = "http://purl.org/dc/terms/"
_MEDIA = "http://rs.gbif.org/terms/1.0/Multimedia"
_CORE = ("occurrenceID", "basisOfRecord", "scientificName", "kingdom", "taxonRank", "vernacularName", "occurrenceStatus",
         "eventDate", "decimalLatitude", "decimalLongitude", "geodeticDatum", "coordinateUncertaintyInMeters", "organismID",
         "locality", "recordedBy", "occurrenceRemarks", "dataGeneralizations", "informationWithheld")
_MEASURED = ("occurrenceID", "measurementID", "measurementType", "measurementValue", "measurementUnit",
             "measurementAccuracy", "measurementMethod", "measurementRemarks")
_MEDIUM = ("occurrenceID", "type", "format", "identifier", "title")
_DC_TERMS = {"type", "format", "identifier", "title"}


def write_archive(rows: Rows, place: str | Path) -> Path:
    """A zip of occurrence.csv (core), measurement.csv, media.csv, meta.xml and eml.xml.

    eventDate is the local date and time as observed. coordinateUncertaintyInMeters is left empty where unknown: 0
    is not allowed. The animal is an opinion about the wound, so it is a measurement, not an occurrence.

    Parameters
    ----------
    rows
        Observations [no unit].
    place
        File to write, .zip [no unit].
    """
    tables = (("occurrence.csv", _CORE), ("measurement.csv", _MEASURED), ("media.csv", _MEDIUM))
    covered = _Covered()
    with beside(Path(place)) as temporary, TemporaryDirectory() as folder:
        with ExitStack() as open_files:
            core, measured, media = (_table(open_files, Path(folder) / name, columns) for name, columns in tables)
            for row in _plain(rows):
                core([_occurrence(row)])
                measured(_measurements(row))
                media(_media(row))
                covered.add(row)
        with zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, _ in tables:
                archive.write(Path(folder) / name, name)
            archive.writestr("meta.xml", _meta())
            archive.writestr("eml.xml", _eml(covered))
    return Path(place)


# genus, mark of a hybrid, species, lower rank and its name, who named it
_NAME = re.compile(r"([A-Z][a-z]+)(?: (?:(spp?)\.?|(?:([×x]) ?)?([a-z]{2,}(?:-[a-z]+)*)"
                   r"(?: (subsp|ssp|var|f)\. ([a-z]{2,}(?:-[a-z]+)*))?((?: \(?(?:[A-Z][\w'-]*\.?|ex|et|&|f\.)\)?)*)))?")
_RANKS = {"subsp": "subspecies", "ssp": "subspecies", "var": "variety", "f": "form"}
# a genus is followed by a species' name, not by a word of English
_NO_SPECIES = {"tree", "trees", "shrub", "bush", "hedge", "seedling", "sapling", "plant", "hybrid", "unknown"}


def scientific_name(words: str) -> tuple[str, str] | None:
    """The scientific name that the words are, and its rank; None where they are no such name.

    They are one where they have its form and begin with a genus of woody plants that genera.yaml lists.

    Parameters
    ----------
    words
        What somebody wrote as species [no unit].
    """
    told = " ".join(words.split())
    found = _NAME.fullmatch(told[:1].upper() + told[1:])
    if found is None:
        return None
    genus, several, hybrid, species, rank, lower, author = found.groups()
    if genus not in _genera() or species in _NO_SPECIES:
        return None
    if several or species is None:
        return genus, "genus"
    name = f"{genus} {'× ' if hybrid else ''}{species}{f' {rank}. {lower}' if rank else ''}{author}"
    return name, _RANKS[rank] if rank else "species"


@cache
def _genera() -> frozenset[str]:
    return frozenset(knowledge("diagnose.fieldlog", "genera.yaml")["genera"].split())


def _occurrence(row: dict[str, Any]) -> list[Any]:
    species = row.get("species") or ""
    name, rank = scientific_name(species) or ("Plantae", "kingdom")
    in_words = "" if rank != "kingdom" else species
    error = row.get("error_m")
    placed = row["lat"] is not None and row["lon"] is not None
    return [row["id"], "HumanObservation", name, "Plantae", rank, in_words, "present",
            row.get("taken_at") or "", row["lat"], row["lon"],
            "EPSG:4326" if placed else "", error if placed and error else "", row.get("plant") or "",
            row.get("site") or "", row.get("by") or "", row.get("note") or "", row.get("generalised") or "",
            row.get("withheld") or ""]


def _measurements(row: dict[str, Any]) -> Iterator[list[Any]]:
    words = vocabulary()
    for name, value in (row.get("signs") or {}).items():
        word = words.get(name)
        label, unit = (name, "") if word is None else (word.label, word.unit)
        if isinstance(value, dict) and "value" in value:
            told = [value["value"], unit, value.get("sigma", ""), "standard uncertainty as accuracy"]
        elif isinstance(value, dict) and "low" in value:
            told = [f"{value['low']}/{value['high']}", unit, "", f"interval at level {value.get('level', 0.95)}"]
        elif isinstance(value, dict):
            told = [json.dumps(value), "", "", "probability of each choice"]
        else:
            told = [value, unit, "", "answered by a person"]
        yield [row["id"], f"{row['id']}:{name}", label, told[0], told[1], told[2], "", told[3]]
    for key, label, method in (("leading", "likely cause of damage", "weighed from the signs by browse-diagnose"),
                               ("named", "cause of damage as named by a person", "")):
        if row.get(key):
            version = f" (catalogue {row['catalogue']})" if key == "leading" and row.get("catalogue") else ""
            yield [row["id"], f"{row['id']}:{key}", label, row[key], "", "", method + version, ""]


def _media(row: dict[str, Any]) -> Iterator[list[Any]]:
    if row.get("photo"):
        yield [row["id"], "StillImage", "", f"urn:sha256:{row['photo']}", row.get("photo_role") or ""]


def _table(open_files: ExitStack, place: Path, columns: Iterable[str]) -> Callable[[Iterable[list[Any]]], None]:
    """Begins a table with its heading; gives what writes further rows into it."""
    table = csv.writer(open_files.enter_context(place.open("w", encoding="utf-8", newline="")), lineterminator="\n")
    table.writerow(columns)

    def add(rows: Iterable[list[Any]]) -> None:
        table.writerows([["" if value is None else " ".join(str(value).split()) for value in row] for row in rows])

    return add


def _meta() -> str:
    def files(tag: str, row_type: str, name: str, columns: tuple[str, ...]) -> str:
        key = "id" if tag == "core" else "coreid"
        first = 0 if tag == "core" else 1
        fields = "".join(
            f'<field index="{index}" term="{(_DC if each in _DC_TERMS else _DWC) + each}"/>'
            for index, each in enumerate(columns) if index >= first
        )
        return (f'<{tag} encoding="UTF-8" fieldsTerminatedBy="," linesTerminatedBy="\\n" fieldsEnclosedBy="&quot;" '
                f'ignoreHeaderLines="1" rowType={quoteattr(row_type)}><files><location>{name}</location></files>'
                f'<{key} index="0"/>{fields}</{tag}>')

    return ('<?xml version="1.0" encoding="UTF-8"?>\n<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">'
            + files("core", f"{_DWC}Occurrence", "occurrence.csv", _CORE)
            + files("extension", f"{_DWC}MeasurementOrFact", "measurement.csv", _MEASURED)
            + files("extension", _MEDIA, "media.csv", _MEDIUM) + "</archive>\n")


@dataclass
class _Covered:
    """What the rows of an archive cover: sites, people, first and last day, and the box round their positions [degree]."""

    sites: set[str] = field(default_factory=set)
    people: set[str] = field(default_factory=set)
    days: set[str] = field(default_factory=set)
    box: tuple[float, float, float, float] | None = None  # west, east, north, south

    def add(self, row: dict[str, Any]) -> None:
        self.sites.add(str(row.get("site") or ""))
        self.people.add(str(row.get("by") or ""))
        if row.get("taken_at"):
            self.days.add(row["taken_at"][:10])
        if row["lat"] is not None and row["lon"] is not None:
            west, east, north, south = self.box or (180.0, -180.0, -90.0, 90.0)
            lat, lon = row["lat"], row["lon"]
            self.box = min(west, lon), max(east, lon), max(north, lat), min(south, lat)


def _eml(of: _Covered) -> str:
    """Title, people, place and time, in the order that EML asks for.

    What only the publisher knows (licence, contact) is left for the publisher to fill in.
    """
    sites = sorted(filter(None, of.sites)) or ["unnamed planting"]
    people = sorted(filter(None, of.people)) or ["not stated"]
    named = _xml(", ".join(sites[:5]))
    creators = "".join(f"<creator><individualName><surName>{_xml(each)}</surName></individualName></creator>"
                       for each in people)
    contact = f"<contact><individualName><surName>{_xml(people[0])}</surName></individualName></contact>"
    covered = ""
    if of.box is not None:
        sides = zip(("west", "east", "north", "south"), of.box, strict=True)
        box = "".join(f"<{side}BoundingCoordinate>{at:.6f}</{side}BoundingCoordinate>" for side, at in sides)
        covered += (f"<geographicCoverage><geographicDescription>{named}</geographicDescription>"
                    f"<boundingCoordinates>{box}</boundingCoordinates></geographicCoverage>")
    if of.days:
        covered += "<temporalCoverage><rangeOfDates>" + "".join(
            f"<{name}><calendarDate>{day}</calendarDate></{name}>"
            for name, day in (("beginDate", min(of.days)), ("endDate", max(of.days)))) + "</rangeOfDates></temporalCoverage>"
    return ('<?xml version="1.0" encoding="UTF-8"?>\n<eml:eml xmlns:eml="https://eml.ecoinformatics.org/eml-2.2.0" '
            f'packageId="urn:uuid:{uuid.uuid4()}" system="browse-diagnose"><dataset>'
            f"<title>Browse damage observed at {named}</title>{creators}"
            f"<pubDate>{datetime.now(UTC).date().isoformat()}</pubDate><language>en</language>"
            "<abstract><para>Wounds on woody plants with their measured and answered "
            "signs and the likely cause of each.</para></abstract>"
            f"{f'<coverage>{covered}</coverage>' if covered else ''}{contact}</dataset></eml:eml>\n")
