"""What did people send in, which of it can be answered, and what is the answer?"""
