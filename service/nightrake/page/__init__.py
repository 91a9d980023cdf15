"""The operator's page, a process of its own: what the watch tells it, kept as one scene and shown to every browser."""
