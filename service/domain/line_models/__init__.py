"""Line models: what was posted or stored of a line's piping, checked, and built into a frame."""
