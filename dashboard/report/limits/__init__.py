"""The document that limits are defended with; the door is `document`."""
