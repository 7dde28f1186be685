"""How ready a night is: what stands open, how much work that is, what is most at risk; and the members' calendars.

A track is *open* for a night while one of the night's crates holds it and no sheet of it was approved under that
crate's version of the convention. A sheet by another version does not count: it is told apart ("approved by another
version"), and takes little time to propose anew.
"""
