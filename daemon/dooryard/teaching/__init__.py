"""What the owner says of visits becomes examples.

album     the taught pictures, by name
feedback  marks on visits, taken in while it runs
"""
