"""What is driven: the rig, the force balance, and the way from fuelling to the tread."""
