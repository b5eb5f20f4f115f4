"""The command line, a thin skin on `keyid.identify`."""
