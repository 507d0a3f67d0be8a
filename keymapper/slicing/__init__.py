"""From a take (blocks of frames) to the notes in it. No files, no printing."""
