"""What a sound says about faults: pure functions on arrays."""
