"""What ate this seedling, how sure is that, and which barrier stops it?"""

__version__ = "0.1.0"
