"""Pictures. Begin with layout, which draws page, axes, bars and labels for all of them."""
