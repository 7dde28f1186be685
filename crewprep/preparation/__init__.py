"""Who prepares what: claims on tracks."""
