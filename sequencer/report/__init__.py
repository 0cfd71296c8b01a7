"""HTML and plots from the record of a finished run."""
