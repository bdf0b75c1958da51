"""tyrekit: tyres and fuel over a race weekend."""
