"""Play a written instrument key by key and measure what comes out."""
