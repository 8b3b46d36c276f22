"""Pages with pictures: the report of one recording and the comparison of two."""
