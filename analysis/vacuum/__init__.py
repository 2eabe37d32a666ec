"""The vacuum: leak-downs, supply and where it leaks; `study` is the door."""
