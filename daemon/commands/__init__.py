"""The commands: what each does once the command line is understood."""
