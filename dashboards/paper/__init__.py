"""What is written of a visit: the customer's page, the technical part, machine pages, histories. HTML and PDF."""
