"""The statistics floor: arguments in, estimates with bounds out. It has never heard of a file or a vehicle.

One file per question. NumPy and SciPy only. Arrays in, arrays out; a group label per row where groups are meant, all
groups in one pass. Missing is NaN; what cannot be estimated is NaN with a reason.
"""
