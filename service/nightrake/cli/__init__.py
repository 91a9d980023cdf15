"""The command line: arguments in, sentences out. All real work is done elsewhere."""
