"""Given the signs, how likely is each animal or look-alike, why, and what should be asked next?"""
