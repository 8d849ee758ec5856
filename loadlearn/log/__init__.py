"""What a log is: channels, units, readers, quality, and what a whole log tells of its road."""
