"""Weather from elsewhere, files of it, as rows of a storm's forecast. Nothing is fetched."""
