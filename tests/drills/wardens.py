"""To come."""

DRILLS = ()
