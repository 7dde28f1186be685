"""Version 1, one module a noun. An endpoint reads its input, calls one service or selector and answers.

Times of markers are integer microseconds, as they are stored; facts and sheets are documents in seconds.
"""
