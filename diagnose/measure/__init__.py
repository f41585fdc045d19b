"""Which lengths, angles and shapes of a wound does a picture show, and how surely?"""
