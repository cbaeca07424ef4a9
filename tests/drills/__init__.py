"""The drills: every scenario that the watch must survive, each with its figure and its bound."""
