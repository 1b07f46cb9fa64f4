"""The wing 'model', see DEVELOPERS.md."""
