"""What a recording's motion says about the recording: coded findings beyond those of its numbers."""
