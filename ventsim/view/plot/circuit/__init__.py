"""A drawing of a circuit: where its parts go, the flows between them, and the ink."""
