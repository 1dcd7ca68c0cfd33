"""Did a drill work? Change before and after, with its doubt."""
