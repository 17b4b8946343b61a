"""The physics of a pump on a test stand, in SI, without clocks and without I/O."""
