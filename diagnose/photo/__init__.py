"""How does a file on disk become an upright picture with a place, a time and a metric plane?"""
