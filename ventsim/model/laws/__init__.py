"""Laws of flow and of elastic stores."""
