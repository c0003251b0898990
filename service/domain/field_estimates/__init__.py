"""Field estimates: what was seen on site while stops were eased, brought together into what it says."""
