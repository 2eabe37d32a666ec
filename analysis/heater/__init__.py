"""The physics of a car heater: heat exchanger and fluids."""
