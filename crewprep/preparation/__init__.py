"""Who prepares what: claims on tracks, who is to do which track, how long it takes, and how long it took."""
