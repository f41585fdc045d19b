"""How does what was found look on paper?"""
