"""The local page: the job in a browser on this laptop, for crew, admin and supervisor."""
