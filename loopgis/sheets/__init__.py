"""Everything that is written: GeoPackage, pictures, pages."""
