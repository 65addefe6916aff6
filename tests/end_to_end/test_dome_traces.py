"""A fourteenth blind author's fleet, judged: verdicts and sizes as they are reached.

First contact (key 20261126, 1,480 recordings, 1,440 clear by rules committed before; judged once, nothing mended):

    what          n   right  wrong  not j.  sure    0.25-0.5 mm      0.5-1 mm         1 mm up
                                                    err bias cover   err bias cover   err bias cover
    all        1440   94.4    1.2    4.4    0.4     6.4 +3.9  100    5.6 +3.7 95.7    3.7 +2.2 95.9
    draw-down   984   95.7    1.6    2.6    0.5     5.2 +3.8  100    5.1 +4.7 94.4    2.9 +2.6 93.5
    fill        170   78.2    0.0   21.8    0.0     7.2 +6.6  100    7.2 +4.5 95.8    4.8 +1.0  100
    flow         94   97.9    1.1    1.1    1.1     7.9 -5.5  100    5.6 -4.6  100    5.3 -0.0  100
    routine     192    100      0      0      0

Second lake (key 4711, 1,434 clear, judged once):

    all        1434   95.3    1.4    3.3    0.3     8.7 +5.9 98.8    6.9 +5.2 94.2    4.8 +4.1 93.5
    draw-down  1000   96.1    1.8    2.1    0.3     8.0 +5.9 98.1    6.6 +6.4 91.1    4.2 +4.1 93.1
    fill        181   87.3    0.0   12.7    0.0    11.7 +8.9  100    6.5 +4.2  100    7.4 +5.2 91.9
    flow         83   94.0    2.4    3.6    2.4     9.3 +0.9  100    8.5 -3.7  100    7.0 -0.8  100
    routine     170    100      0      0      0

Tight systems below their limit: all of 554 and of 581, limits 0.23 mm at the median.
"""
