"""What pages stand on: where runs come from, uploads, addresses, and parts of pages."""
