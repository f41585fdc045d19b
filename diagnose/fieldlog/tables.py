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
    """One row: the secret that public copies' ids are made with."""

    __tablename__ = "about"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    salt: Mapped[str] = mapped_column(String(36))


class Photo(Base):
    """A photograph's original, by content. likeness : perceptual hash as hex, None where it is no picture."""

    __tablename__ = "photo"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    size: Mapped[int]
    kept_at: Mapped[str] = mapped_column(String(32))
    likeness: Mapped[str | None] = mapped_column(String(64))


class Original(Base):
    """A photograph's bytes, where a server keeps them; an embedded log keeps them as files."""

    __tablename__ = "original"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    data: Mapped[bytes] = mapped_column(LargeBinary)


class Recorded:
    """What every kind of record has. by : initials. disputed : changed by two people who had not seen each other's."""

    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    saved_at: Mapped[str] = mapped_column(String(32))
    by: Mapped[str] = mapped_column(Text, default="")
    note: Mapped[str] = mapped_column(Text, default="")
    deleted: Mapped[bool] = mapped_column(Boolean, default=False)
    disputed: Mapped[bool] = mapped_column(Boolean, default=False)


class Observation(Recorded, Base):
    """One wound as it was seen: when, where, on which plant, its signs, the tool's verdict, a person's naming.

    taken_at : ISO 8601, with offset unless taken_local. lat, lon [degree], error_m [m]: a position never decides
    which plant it is. site, plot, plant : names on paper, stake and tag. visit : id of a visit. signs, verdict,
    barrier : the objects that the command prints. named : culprit key that a person gave, kept beside the verdict.
    confirmed : how that naming was confirmed from outside (animal seen, camera, DNA), empty when it was not.
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
    """A further photo of an observation. role : close-up, whole plant, height or context."""

    __tablename__ = "picture"
    observation: Mapped[str] = mapped_column(ForeignKey("observation.id"), index=True)
    photo: Mapped[str] = mapped_column(ForeignKey("photo.sha256"))
    role: Mapped[str] = mapped_column(String(16), default="context")


class Site(Recorded, Base):
    """A planting. boundary : GeoJSON Polygon or MultiPolygon, or empty."""

    __tablename__ = "site"
    name: Mapped[str] = mapped_column(Text, index=True)
    boundary: Mapped[dict] = mapped_column(JSON, default=dict)


class Visit(Recorded, Base):
    """One day's work on a site. day : ISO date. role : primary, or check (a second look at the same plots)."""

    __tablename__ = "visit"
    site: Mapped[str] = mapped_column(Text, index=True)
    day: Mapped[str] = mapped_column(String(10))
    role: Mapped[str] = mapped_column(String(16), default="primary")


class Plot(Recorded, Base):
    """A sample area of a site, known by its stake. area_m2 [m2]; lat, lon [degree]; error_m [m]."""

    __tablename__ = "plot"
    site: Mapped[str] = mapped_column(Text, index=True)
    name: Mapped[str] = mapped_column(Text)
    area_m2: Mapped[float | None] = mapped_column(Float)
    lat: Mapped[float | None] = mapped_column(Float)
    lon: Mapped[float | None] = mapped_column(Float)
    error_m: Mapped[float | None] = mapped_column(Float)


class Plant(Recorded, Base):
    """One plant, known by its tag, or by bearing and distance from its plot's stake.

    height_mm, stem_diameter_mm [mm]; bearing_deg clockwise from north [degree]; distance_m [m];
    protected : how, in words, empty when not.
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
    """A barrier in the ground. form : cage, tree shelter, fence ... plant : tag, empty for a whole site.

    label : what stands on the barrier or its list. species : of the plants in it. pieces : how many, or metres of a
    fence. inner_mm, height_mm [mm]. built, removed : ISO dates; built is None when nobody knows. found : met by
    chance, owner unknown. embedded : grown into the stem. left_behind : what stayed when it was removed. figures :
    its other sizes and traits. lat, lon [degree], error_m [m].
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
    """One look at a barrier. barrier : its id. finding : see fields. stem_diameter_mm, height_mm : of the plant [mm].

    stands_alone : does the stem stand when the tube is lifted? bark_safe : is the bark thick or corky enough? Both
    None when nobody looked. photo : SHA-256 of its original.
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
    """What a crew wrote down for one tree, or one plot without trees, at one visit. entry : the sheet's other columns."""

    __tablename__ = "tally"
    site: Mapped[str] = mapped_column(Text, index=True)
    day: Mapped[str] = mapped_column(String(10))
    plot: Mapped[str] = mapped_column(Text)
    tree: Mapped[str] = mapped_column(Text, default="")
    entry: Mapped[dict] = mapped_column(JSON, default=dict)


class Sender(Recorded, Base):
    """Who sent something in. Kept apart from what they sent, and never exported unless asked for."""

    __tablename__ = "sender"
    address: Mapped[str] = mapped_column(Text, index=True)
    name: Mapped[str] = mapped_column(Text, default="")


class Submission(Recorded, Base):
    """Photos and words that somebody sent in, what the tool made of them, and what the adviser did.

    key : of its first letter, so that nothing is taken in twice. letters : key -> thread, time and subject of each.
    photos : SHA-256 of each, with its name. told : `proposed` by the words, and what a person `confirmed` of it.
    signs, verdict, barrier : as the command prints them. pile : where it lies, with why and worth (of the adviser's
    attention). question : what to ask back. twin : id of the one that it repeats. named : culprit key that the adviser
    gave; named_blind : what they gave before the verdict was shown, "cannot tell" too. answer : agree,
    change or later. letter : the reply as it was left.
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

    number : of the measuring (measure.number). at : when, empty where it is not known.
    """

    __tablename__ = "looked"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    number: Mapped[str] = mapped_column(String(24), primary_key=True)
    at: Mapped[str] = mapped_column(String(32), default="")
    found: Mapped[dict] = mapped_column(JSON, default=dict)


class History(Base):
    """One change of one record: who, when, what each field was before and is after.

    kind, record : which record. seen : ids of the latest changes that the person had before them; two changes
    that had not seen each other and disagree are a conflict, whatever their clocks say.
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
