"""The site file: YAML to frozen SI values, every error at once."""
