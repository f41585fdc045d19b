"""What ate this seedling, how sure is that, and which barrier stops it?"""

__version__ = "0.2.0"
