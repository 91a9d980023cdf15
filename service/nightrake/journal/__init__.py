"""The store: journal, hot tail, judgement states, cursors. One file, one writing thread."""
