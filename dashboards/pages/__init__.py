"""One module for each page, each a function from the source to pages."""
