"""What is what in a picture, and where are severed ends?"""
