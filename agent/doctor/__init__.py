"""The doctor: looks at everything that keeps a site from running well, and changes nothing."""
