"""The normal law's share in every interval of 95 %."""

Z95 = 1.96  # standard uncertainties in half an interval: JCGM 100:2008, Table G.1
