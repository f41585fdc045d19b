"""What would a wound of known shape look like? Simple pictures with exact truth, made on the fly."""
