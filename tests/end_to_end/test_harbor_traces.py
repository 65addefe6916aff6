"""Verdicts and sizes of a fifteenth author's fleet: live fuel, slow warmth, carbon that breathes, a dome above "full".

The author had read neither the estimator nor the other fleets. First contact, 1,450 recordings under key 1501, 1,352
clear: right 96.5 %, wrong 0.7, not judged 2.8, wrong though sure 0.2. Draws 97.2 / 0.9 / 1.9 / 0.3, fills 88.3 / 0 /
11.7 / 0, flows 96.5 / 0 / 3.5 / 0, routine all right. Of 632 tight ones all below their limit. Sizes (median error,
bias, coverage) in 0.25-0.5, 0.5-1 and from 1 mm: all 10.0 +10.0 96.3, 6.7 +6.6 93.4, 3.2 +3.2 98.0; draws 9.3 +7.5
96.2, 7.4 +6.9 90.9, 3.2 +3.2 96.7; fills 32 +32 100, 6.6 +6.6 100, 11.4 +10.6 100; flows 5.4 +2.7 92.9, 3.6 -0.4 100,
2.1 +0.8 100.
"""
