"""Coverage factors (JCGM 100:2008, 6.2): by what a standard uncertainty is multiplied to hold 95 times in 100.

They are those of normal deviates. A pair or a triple is covered by the circle or the ball that its largest principal
value spans, which is never too small: the square of the factor is the 95 % quantile of chi-square with two or three
degrees of freedom.
"""

SINGLE = 1.96  # one figure: a size, a distance, an angle
PAIR = 2.45  # two together: the place of an axis across it, a direction
TRIPLE = 2.80  # three together: a centre
