"""What every folder may use: constants, errors, intervals, text, whole files. Begin with intervals."""
