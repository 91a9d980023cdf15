"""What was learned, for people and programs: words, ranking, pages, JSON; the command line and the worker use it."""
