"""`calibrate`: devices run and measured by a named person, put right, verified, on record."""
