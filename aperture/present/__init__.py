"""Results shown to people and handed to other programs: text, terminal, pictures, pages."""
