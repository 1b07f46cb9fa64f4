"""The wing 'view', see DEVELOPERS.md."""
