"""How good and how fast is the tool, where the truth is known?"""
