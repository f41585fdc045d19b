"""What was seen where and when, and how is it kept so that nothing is lost?"""
