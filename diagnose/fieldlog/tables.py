"""Which tables does the log have?

Identifiers are random (UUID4), so that two crews' logs can be merged. Rows are never deleted: deletion is a mark,
and every change writes a history row with what stood before.
"""

from __future__ import annotations

from sqlalchemy import JSON, Boolean, Float, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

SHAPE = 1  # of the tables; an older log is upgraded, a newer one refused


class Base(DeclarativeBase):
    pass


class About(Base):
    """One row: which shape the tables have."""

    __tablename__ = "about"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    shape: Mapped[int]


class Photo(Base):
    """A photograph's original, by content."""

    __tablename__ = "photo"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    size: Mapped[int]
    kept_at: Mapped[str] = mapped_column(String(32))


class Observation(Base):
    """One wound as it was seen: when, where, on which plant, its signs, the tool's verdict, a person's naming.

    taken_at : ISO 8601, with offset unless taken_local. lat, lon [degree], error_m [m]: a position never decides
    which plant it is. signs, verdict, barrier : the objects that the command prints. named : culprit key that a
    person gave, kept beside the verdict. by : initials.
    """

    __tablename__ = "observation"
    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    saved_at: Mapped[str] = mapped_column(String(32))
    taken_at: Mapped[str | None] = mapped_column(String(40), index=True)
    taken_local: Mapped[bool] = mapped_column(Boolean, default=False)
    lat: Mapped[float | None] = mapped_column(Float)
    lon: Mapped[float | None] = mapped_column(Float)
    error_m: Mapped[float | None] = mapped_column(Float)
    site: Mapped[str] = mapped_column(Text, default="", index=True)
    plant: Mapped[str] = mapped_column(Text, default="")
    species: Mapped[str] = mapped_column(Text, default="")
    by: Mapped[str] = mapped_column(Text, default="")
    note: Mapped[str] = mapped_column(Text, default="")
    photo: Mapped[str | None] = mapped_column(ForeignKey("photo.sha256"), index=True)
    photo_role: Mapped[str] = mapped_column(String(16), default="close-up")
    signs: Mapped[dict] = mapped_column(JSON, default=dict)
    verdict: Mapped[dict] = mapped_column(JSON, default=dict)
    barrier: Mapped[dict] = mapped_column(JSON, default=dict)
    leading: Mapped[str | None] = mapped_column(Text, index=True)
    catalogue: Mapped[str] = mapped_column(String(16), default="")
    named: Mapped[str | None] = mapped_column(Text)
    deleted: Mapped[bool] = mapped_column(Boolean, default=False)

    __table_args__ = (Index("ix_observation_place", "lat", "lon"),)


class History(Base):
    """One change of one observation: who, when, and what each field was before."""

    __tablename__ = "history"
    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    observation: Mapped[str] = mapped_column(ForeignKey("observation.id"), index=True)
    at: Mapped[str] = mapped_column(String(32))
    by: Mapped[str] = mapped_column(Text, default="")
    change: Mapped[str] = mapped_column(String(16))
    before: Mapped[dict] = mapped_column(JSON, default=dict)
