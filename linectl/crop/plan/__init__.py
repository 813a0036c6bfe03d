"""The sowing plan: which lane gives how many gutters of which crop on which day, and what is sown.

`model` states the facts and the answer, `demand` turns orders into gutters, `program` writes the
integer program, `highs` solves it, `answer` reads the plan out of the solution, `sequence` orders
a day's sowing, `reasons` says why something is missed.
"""
