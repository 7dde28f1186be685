"""How ready a night is: what stands open, how much work that is, what is most at risk; and the members' calendars.

A track is *open* for a night while one of the night's crates holds it and no sheet of it counts there. What counts is a
sheet that was approved under the crate's version of the convention; and the track's latest sheet by an older version of
the same convention, where it keeps its meaning: the re-check list of the crate's version does not have it, or somebody
has said that it is still right. Any other sheet is told apart ("approved by another version only") and costs little.
"""
