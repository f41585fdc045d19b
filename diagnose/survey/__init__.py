"""How much was browsed, how sure is that, and is it getting better?"""
