"""Words that are no scientific name do not stand where one belongs."""

import csv
import io
import zipfile
from pathlib import Path

import pytest

from diagnose.fieldlog.darwin_core import scientific_name, write_archive
from diagnose.fieldlog.store import open_log


# ranks and their order: International Code of Nomenclature for algae, fungi, and plants, articles 3 and 4; names of species
# and their authors as forestry uses them, from memory
@pytest.mark.parametrize(("words", "name", "rank"), [
    ("Quercus rubra", "Quercus rubra", "species"), ("Quercus rubra L.", "Quercus rubra L.", "species"),
    ("  Picea   abies ", "Picea abies", "species"), ("Pseudotsuga menziesii (Mirb.) Franco",
                                                    "Pseudotsuga menziesii (Mirb.) Franco", "species"),
    ("Acer saccharum subsp. nigrum", "Acer saccharum subsp. nigrum", "subspecies"),
    ("Pinus contorta var. latifolia", "Pinus contorta var. latifolia", "variety"),
    ("Fagus sylvatica f. purpurea", "Fagus sylvatica f. purpurea", "form"),
    ("Populus × canadensis", "Populus × canadensis", "species"), ("Populus x canadensis", "Populus × canadensis", "species"),
    ("Abies", "Abies", "genus"), ("Salix sp.", "Salix", "genus"), ("Salix spp.", "Salix", "genus"),
    ("quercus rubra", "Quercus rubra", "species"), ("Crataegus oxyacantha-media", "Crataegus oxyacantha-media", "species"),
])  # fmt: skip
def test_a_scientific_name_is_known_with_its_rank(words: str, name: str, rank: str) -> None:
    assert scientific_name(words) == (name, rank)


# English, German, French, Spanish, Italian, Swedish, Polish names of trees, from memory
@pytest.mark.parametrize("words", [
    "oak", "Oak", "Red oak", "Norway spruce", "Scots pine", "white cedar", "Douglas-fir", "Chêne rouge", "Gemeine Fichte",
    "Rotbuche", "Stieleiche", "Pino silvestre", "Roble albar", "Betulla bianca", "Quercia rossa", "Ek", "Dąb szypułkowy",
    "unknown", "?", "17", "Tree No. 4", "a small pine", "oak, red", "Rosa's oak", "Acer tree", "Quercus Rubra oak",
    "Rhododendron hedge by the road",
])  # fmt: skip
def test_a_name_in_a_peoples_language_is_none(words: str) -> None:
    assert scientific_name(words) is None


def test_the_archive_keeps_such_words_as_vernacular_names(tmp_path: Path) -> None:
    """Terms: Darwin Core quick reference guide, TDWG: vernacularName, scientificName, taxonRank."""
    log = open_log(tmp_path / "log")
    for species in ("Quercus rubra", "red oak", ""):
        log.save_observation(plant=species or "none", species=species)
    with zipfile.ZipFile(write_archive(log.observations(), tmp_path / "out.zip")) as archive:
        rows = {row["organismID"]: row for row in csv.DictReader(io.StringIO(archive.read("occurrence.csv").decode()))}
        meta = archive.read("meta.xml").decode()
    told = {plant: (row["scientificName"], row["taxonRank"], row["vernacularName"]) for plant, row in rows.items()}
    assert told == {"Quercus rubra": ("Quercus rubra", "species", ""), "red oak": ("Plantae", "kingdom", "red oak"),
                    "none": ("Plantae", "kingdom", "")}
    assert "http://rs.tdwg.org/dwc/terms/vernacularName" in meta
