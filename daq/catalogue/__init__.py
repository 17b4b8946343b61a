"""Parts, stand and cautions: TOML in, checked plain values in SI out."""
