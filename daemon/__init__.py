"""The shell: clock, threads, files and sockets around the rules."""
