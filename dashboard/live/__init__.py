"""The guide of a recording: plan, readings and live figures, on a terminal and for a page."""
