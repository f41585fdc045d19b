"""A position or a typed name -> the country, part or island, without a network."""

from diagnose.places.place import Place, place_named, place_of, places, season_of

__all__ = ["Place", "place_named", "place_of", "places", "season_of"]
