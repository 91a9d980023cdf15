"""Reports: self-contained pages for people to print and file. No scripts, nothing from outside."""
