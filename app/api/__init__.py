"""The HTTP interface beside the pages: the same contract as the command line."""
