"""The wing 'results', see DEVELOPERS.md."""
