"""One model of slack, curve, lags and clock, fitted to all that the lever did."""
