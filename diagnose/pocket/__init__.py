"""What does somebody carry who has neither signal nor laptop: key, verdict, barrier, record and tally in one file?

The only room in which arithmetic stands twice: `page/*.js` says again, in small plain JavaScript, what `culprits/` and
`protect/requirement.py` say in Python. Its tables are made from the same catalogue (`tables.py`), nothing is typed over,
and `tests/test_pocket_equal.py` holds the two to each other.
"""
