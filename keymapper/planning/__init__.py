"""From the settings of a session to what is played and when. No files, no printing."""
