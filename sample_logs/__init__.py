"""Sample runs of the invented Saltmarsh County van fleet, and the simulator that wrote them."""
