"""Which barrier stops these culprits, how large, how costly and with which cautions?"""
