"""The board itself: one application, its server, its log-in and what keeps it safe."""
