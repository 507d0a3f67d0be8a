"""From one note (an array) to what can be known about it. No files, no printing."""
