"""Trade data: tables with their sources, and typed readers of them."""
