"""`quadleg calibrate` and `quadleg trim`: servos and zeros on the bench."""
