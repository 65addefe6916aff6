"""A thirteenth author's lake, blind to the tool: what first contact gave, and what holds as reached since.

First contact (1,400 recordings, key 1, judged once before any line of the estimator was read), of 1,260 clear ones:
right 96.98 %, wrong 1.59 %, wrong though sure 0.63 %, not judged 1.51 %; tight below their limit 100 % of 471.
Holes told as leaks, by band 0.25-0.5, 0.5-1 and from 1 mm: median error 7.3, 4.9 and 4.6 %, median signed error
-6.9, -4.8 and -4.6 %, interval holding the truth 100, 97.3 and 100 % of 76, 111 and 136. So the mark of right
verdicts was missed by a hair and that of sizes from 1 mm by half as much again, and intervals held more than they need.
"""
