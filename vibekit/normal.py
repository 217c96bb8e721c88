"""The normal law's share in every interval of 95 %."""

Z95 = 1.959964  # its quantile of 97.5 %: standard uncertainties in half an interval
