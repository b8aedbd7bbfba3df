"""Reports: view models and charts, laid out by the templates as HTML and PDF."""
