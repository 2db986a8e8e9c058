"""What a forecast tells, as arithmetic: sizes, rates and hours in, figures with a range and their reason out."""
