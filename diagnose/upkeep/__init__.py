"""What must be checked, mended, widened or taken off, and when?"""
