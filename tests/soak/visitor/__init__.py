"""A visitor who uses the program as people do, at random and without end, and says what breaks.

`python -m tests.soak.visitor --help`; `walk.py` is where to begin reading.
"""
