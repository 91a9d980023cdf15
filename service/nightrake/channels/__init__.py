"""Further ways to people (mail, webhooks and others) that do not need the broker."""
