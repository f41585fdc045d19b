"""Which tables does the log have?

Identifiers are random (UUID4), so that two crews' logs can be merged. Rows are never deleted: deletion is a mark,
and every change writes a history row with what stood before, what stands after and which changes it had seen.
Sites, plots and plants are linked by the names that crews write on stakes and tags, never by a position.
"""

from __future__ import annotations

from sqlalchemy import JSON, Boolean, Float, ForeignKey, Index, Integer, LargeBinary, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Base(DeclarativeBase):
    """What every table of the log is built on."""


class About(Base):
    """One row: the secret that public copies' ids are made with.

    Parameters
    ----------
    id, salt
        The row's, and the secret [no unit].
    """

    __tablename__ = "about"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    salt: Mapped[str] = mapped_column(String(36))


class Photo(Base):
    """A photograph's original, by content.

    Parameters
    ----------
    sha256, name, kept_at
        Of its bytes, the file's name, and when it was kept (ISO 8601) [no unit].
    size
        Of the file [bytes].
    likeness
        Perceptual hash as hex, None where it is no picture [no unit].
    """

    __tablename__ = "photo"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    size: Mapped[int]
    kept_at: Mapped[str] = mapped_column(String(32))
    likeness: Mapped[str | None] = mapped_column(String(64))


class Original(Base):
    """A photograph's bytes, where a server keeps them; an embedded log keeps them as files.

    Parameters
    ----------
    sha256, data
        Of the bytes, and these [no unit].
    """

    __tablename__ = "original"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    data: Mapped[bytes] = mapped_column(LargeBinary)


class Recorded:
    """What every kind of record has.

    Parameters
    ----------
    id, saved_at, by, note
        Its id, when it was saved (ISO 8601), initials of whom, and free words [no unit].
    deleted, disputed
        Is it marked as deleted; was it changed by two people who had not seen each other's? [no unit]
    """

    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    saved_at: Mapped[str] = mapped_column(String(32))
    by: Mapped[str] = mapped_column(Text, default="")
    note: Mapped[str] = mapped_column(Text, default="")
    deleted: Mapped[bool] = mapped_column(Boolean, default=False)
    disputed: Mapped[bool] = mapped_column(Boolean, default=False)


class Observation(Recorded, Base):
    """One wound as it was seen: when, where, on which plant, its signs, the tool's verdict, a person's naming.

    Parameters
    ----------
    taken_at, taken_local
        ISO 8601, with offset unless `taken_local` [no unit].
    lat, lon
        WGS 84; a position never decides which plant it is [degree].
    error_m
        How well it is known [m].
    site, plot, plant, visit, species
        Names on paper, stake and tag; id of a visit; of the plant [no unit].
    photo, photo_role
        SHA-256 of its original, and what it shows [no unit].
    signs, verdict, barrier
        The objects that the command prints [no unit].
    leading, catalogue
        What leads clearly, and the catalogue's digest [no unit].
    named, confirmed
        Culprit key that a person gave, kept beside the verdict, and how that was confirmed from outside (animal seen,
        camera, DNA), empty when it was not [no unit].
    """

    __tablename__ = "observation"
    taken_at: Mapped[str | None] = mapped_column(String(40), index=True)
    taken_local: Mapped[bool] = mapped_column(Boolean, default=False)
    lat: Mapped[float | None] = mapped_column(Float)
    lon: Mapped[float | None] = mapped_column(Float)
    error_m: Mapped[float | None] = mapped_column(Float)
    site: Mapped[str] = mapped_column(Text, default="", index=True)
    plot: Mapped[str] = mapped_column(Text, default="")
    visit: Mapped[str | None] = mapped_column(String(36))
    plant: Mapped[str] = mapped_column(Text, default="")
    species: Mapped[str] = mapped_column(Text, default="")
    photo: Mapped[str | None] = mapped_column(ForeignKey("photo.sha256"), index=True)
    photo_role: Mapped[str] = mapped_column(String(16), default="close-up")
    signs: Mapped[dict] = mapped_column(JSON, default=dict)
    verdict: Mapped[dict] = mapped_column(JSON, default=dict)
    barrier: Mapped[dict] = mapped_column(JSON, default=dict)
    leading: Mapped[str | None] = mapped_column(Text, index=True)
    catalogue: Mapped[str] = mapped_column(String(16), default="")
    named: Mapped[str | None] = mapped_column(Text)
    confirmed: Mapped[str] = mapped_column(Text, default="")

    __table_args__ = (Index("ix_observation_place", "lat", "lon"),)


class Picture(Recorded, Base):
    """A further photo of an observation.

    Parameters
    ----------
    observation, photo
        Id, and SHA-256 of the original [no unit].
    role
        close-up, whole plant, height or context [no unit].
    """

    __tablename__ = "picture"
    observation: Mapped[str] = mapped_column(ForeignKey("observation.id"), index=True)
    photo: Mapped[str] = mapped_column(ForeignKey("photo.sha256"))
    role: Mapped[str] = mapped_column(String(16), default="context")


class Site(Recorded, Base):
    """A planting.

    Parameters
    ----------
    name
        Of it [no unit].
    boundary
        GeoJSON Polygon or MultiPolygon, or empty [degree].
    """

    __tablename__ = "site"
    name: Mapped[str] = mapped_column(Text, index=True)
    boundary: Mapped[dict] = mapped_column(JSON, default=dict)


class Visit(Recorded, Base):
    """One day's work on a site.

    Parameters
    ----------
    site, day
        Its name, and YYYY-MM-DD [no unit].
    role
        primary, or check (a second look at the same plots) [no unit].
    """

    __tablename__ = "visit"
    site: Mapped[str] = mapped_column(Text, index=True)
    day: Mapped[str] = mapped_column(String(10))
    role: Mapped[str] = mapped_column(String(16), default="primary")


class Plot(Recorded, Base):
    """A sample area of a site, known by its stake.

    Parameters
    ----------
    site, name
        Of the site, and on the stake [no unit].
    area_m2
        Horizontal [m2].
    lat, lon
        WGS 84 [degree].
    error_m
        How well they are known [m].
    """

    __tablename__ = "plot"
    site: Mapped[str] = mapped_column(Text, index=True)
    name: Mapped[str] = mapped_column(Text)
    area_m2: Mapped[float | None] = mapped_column(Float)
    lat: Mapped[float | None] = mapped_column(Float)
    lon: Mapped[float | None] = mapped_column(Float)
    error_m: Mapped[float | None] = mapped_column(Float)


class Plant(Recorded, Base):
    """One plant, known by its tag, or by bearing and distance from its plot's stake.

    Parameters
    ----------
    site, plot, tag, species
        Names [no unit].
    height_mm, stem_diameter_mm
        Of the plant [mm].
    bearing_deg
        From the stake, clockwise from north [degree].
    distance_m
        From the stake [m].
    protected
        How, in words, empty when not [no unit].
    """

    __tablename__ = "plant"
    site: Mapped[str] = mapped_column(Text, index=True)
    plot: Mapped[str] = mapped_column(Text, default="")
    tag: Mapped[str] = mapped_column(Text, default="", index=True)
    species: Mapped[str] = mapped_column(Text, default="")
    height_mm: Mapped[float | None] = mapped_column(Float)
    stem_diameter_mm: Mapped[float | None] = mapped_column(Float)
    bearing_deg: Mapped[float | None] = mapped_column(Float)
    distance_m: Mapped[float | None] = mapped_column(Float)
    protected: Mapped[str] = mapped_column(Text, default="")


class Barrier(Recorded, Base):
    """A barrier in the ground.

    Parameters
    ----------
    site, plant, label
        Of the site; the plant's tag, empty for a whole site; what stands on the barrier or its list [no unit].
    form, material, species
        cage, tree shelter, fence and others; in words; of the plants in it [no unit].
    built, removed
        YYYY-MM-DD; None when nobody knows, or it stands [no unit].
    figures
        Its other sizes and traits, each in the unit that its name ends with.
    left_behind, embedded, found
        What stayed when it was removed; grown into the stem; met by chance, owner unknown [no unit].
    lat, lon
        WGS 84 [degree].
    error_m
        How well they are known [m].
    pieces
        How many [barriers], or length of a fence [m].
    inner_mm, height_mm
        Clear width inside, and height [mm].
    photo
        SHA-256 of its original [no unit].
    """

    __tablename__ = "barrier"
    site: Mapped[str] = mapped_column(Text, index=True)
    plant: Mapped[str] = mapped_column(Text, default="")
    form: Mapped[str] = mapped_column(Text)
    built: Mapped[str | None] = mapped_column(String(10))
    removed: Mapped[str | None] = mapped_column(String(10))
    figures: Mapped[dict] = mapped_column(JSON, default=dict)
    label: Mapped[str] = mapped_column(Text, default="")
    material: Mapped[str] = mapped_column(Text, default="")
    species: Mapped[str] = mapped_column(Text, default="")
    left_behind: Mapped[str] = mapped_column(Text, default="")
    lat: Mapped[float | None] = mapped_column(Float)
    lon: Mapped[float | None] = mapped_column(Float)
    error_m: Mapped[float | None] = mapped_column(Float)
    pieces: Mapped[float | None] = mapped_column(Float)
    inner_mm: Mapped[float | None] = mapped_column(Float)
    height_mm: Mapped[float | None] = mapped_column(Float)
    found: Mapped[bool] = mapped_column(Boolean, default=False)
    embedded: Mapped[bool] = mapped_column(Boolean, default=False)
    photo: Mapped[str | None] = mapped_column(String(64))


class Check(Recorded, Base):
    """One look at a barrier.

    Parameters
    ----------
    barrier, day, finding
        Its id, YYYY-MM-DD, and one of fields.FINDINGS [no unit].
    stem_diameter_mm, height_mm
        Of the plant [mm].
    stands_alone, bark_safe
        Does the stem stand when the tube is lifted; is the bark thick or corky enough? None when nobody looked [no unit].
    photo
        SHA-256 of its original [no unit].
    """

    __tablename__ = "check"
    barrier: Mapped[str] = mapped_column(String(36), index=True)
    day: Mapped[str] = mapped_column(String(10))
    finding: Mapped[str] = mapped_column(String(24), default="sound")
    stem_diameter_mm: Mapped[float | None] = mapped_column(Float)
    height_mm: Mapped[float | None] = mapped_column(Float)
    stands_alone: Mapped[bool | None] = mapped_column(Boolean)
    bark_safe: Mapped[bool | None] = mapped_column(Boolean)
    photo: Mapped[str | None] = mapped_column(String(64))


class Tally(Recorded, Base):
    """What a crew wrote down for one tree, or one plot without trees, at one visit.

    Parameters
    ----------
    site, day, plot, tree
        Names, and YYYY-MM-DD [no unit].
    entry
        The sheet's other columns, each in the unit that survey/tally.py tells.
    """

    __tablename__ = "tally"
    site: Mapped[str] = mapped_column(Text, index=True)
    day: Mapped[str] = mapped_column(String(10))
    plot: Mapped[str] = mapped_column(Text)
    tree: Mapped[str] = mapped_column(Text, default="")
    entry: Mapped[dict] = mapped_column(JSON, default=dict)


class Sender(Recorded, Base):
    """Who sent something in. Kept apart from what they sent, and never exported unless asked for.

    Parameters
    ----------
    address, name
        Of the sender [no unit].
    """

    __tablename__ = "sender"
    address: Mapped[str] = mapped_column(Text, index=True)
    name: Mapped[str] = mapped_column(Text, default="")


class Submission(Recorded, Base):
    """Photos and words that somebody sent in, what the tool made of them, and what the adviser did.

    Parameters
    ----------
    key, letters
        Of its first letter, so that nothing is taken in twice; key -> thread, time and subject of each [no unit].
    sender, received_at, about, words
        Id of who sent it, when (ISO 8601), subject and text [no unit].
    photos, told
        SHA-256 of each, with its name; what the words `proposed`, and what a person `confirmed` of it [no unit].
    signs, verdict, barrier
        As the command prints them [no unit].
    pile, why, question, twin
        Where it lies and why; what to ask back; id of the one that it repeats [no unit].
    worth
        Of the adviser's attention, 0 to 1 [no unit].
    named, named_blind
        Culprit key that the adviser gave, and what they gave before the verdict was shown, "cannot tell" too [no unit].
    answer, letter, answered_at
        agree, change or later; the reply as it was left; when (ISO 8601) [no unit].
    """

    __tablename__ = "submission"
    key: Mapped[str] = mapped_column(Text, index=True)
    sender: Mapped[str | None] = mapped_column(String(36), index=True)
    received_at: Mapped[str | None] = mapped_column(String(40))
    about: Mapped[str] = mapped_column(Text, default="")
    words: Mapped[str] = mapped_column(Text, default="")
    letters: Mapped[dict] = mapped_column(JSON, default=dict)
    photos: Mapped[dict] = mapped_column(JSON, default=dict)
    told: Mapped[dict] = mapped_column(JSON, default=dict)
    signs: Mapped[dict] = mapped_column(JSON, default=dict)
    verdict: Mapped[dict] = mapped_column(JSON, default=dict)
    barrier: Mapped[dict] = mapped_column(JSON, default=dict)
    pile: Mapped[str] = mapped_column(Text, default="", index=True)
    why: Mapped[str] = mapped_column(Text, default="")
    worth: Mapped[float | None] = mapped_column(Float)
    question: Mapped[str] = mapped_column(Text, default="")
    twin: Mapped[str] = mapped_column(Text, default="")
    named: Mapped[str | None] = mapped_column(Text)
    named_blind: Mapped[str | None] = mapped_column(Text)
    answer: Mapped[str] = mapped_column(Text, default="")
    letter: Mapped[str] = mapped_column(Text, default="")
    answered_at: Mapped[str | None] = mapped_column(String(32))


class Looked(Base):
    """What was measured in a photo, once by each measuring; what an older one measured is kept beside it.

    Parameters
    ----------
    sha256, number, at
        Of the photo, of the measuring (measure.number), and when, empty where it is not known [no unit].
    found
        Sign -> what was measured, each in its unit.
    """

    __tablename__ = "looked"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    number: Mapped[str] = mapped_column(String(24), primary_key=True)
    at: Mapped[str] = mapped_column(String(32), default="")
    found: Mapped[dict] = mapped_column(JSON, default=dict)


class History(Base):
    """One change of one record.

    Parameters
    ----------
    id, kind, record, at, by, change
        Its id, which record, when (ISO 8601), initials of whom, and what kind of change [no unit].
    before, after
        Changed field -> its value, each in the field's unit.
    seen
        Ids of the latest changes that the person had before them; two changes that had not seen each other and disagree are
        a conflict, whatever their clocks say [no unit].
    """

    __tablename__ = "history"
    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    kind: Mapped[str] = mapped_column(String(16))
    record: Mapped[str] = mapped_column(String(36), index=True)
    at: Mapped[str] = mapped_column(String(32))
    by: Mapped[str] = mapped_column(Text, default="")
    change: Mapped[str] = mapped_column(String(16))
    before: Mapped[dict] = mapped_column(JSON, default=dict)
    after: Mapped[dict] = mapped_column(JSON, default=dict)
    seen: Mapped[list] = mapped_column(JSON, default=list)


# in the order in which they can be written: what is pointed at comes first
KINDS: dict[str, type[Recorded]] = {
    kind.__tablename__: kind
    for kind in (Site, Visit, Plot, Plant, Observation, Picture, Barrier, Check, Tally, Sender, Submission)
}
