"""One model of backlash, curve, lags and clock, fitted to all that the lever did."""
