"""One module a page: it takes an `Ask` and gives a response."""
