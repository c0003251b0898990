"""Spring supports of hot piping, from erected and locked to released and proved hot: the service."""
