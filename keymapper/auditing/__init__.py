"""From a folder, an SFZ file or a manifest to findings: parse and measure once, then judge."""
