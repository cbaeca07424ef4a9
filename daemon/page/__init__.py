"""The web page: reads the logbook, writes only orders, needs no other server."""
