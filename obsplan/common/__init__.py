"""What every folder may use: constants, errors, intervals, text, files. Begin with intervals."""
