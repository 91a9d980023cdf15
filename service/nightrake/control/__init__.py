"""The control socket: a local Unix socket that carries status, live values, commands and replies."""
