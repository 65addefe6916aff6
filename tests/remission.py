"""Remission of leukemia, weeks, of 21 patients on 6-MP and 21 on placebo, all of whom relapsed.

E. Freireich et al., Blood 21 (1963) 699-716; as the table of D. Cox, J. R. Stat. Soc. B 34 (1972) 187-220 gives it.
"""

SIX_MP = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
#: of those on 6-MP; 0: still in remission when last seen
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
