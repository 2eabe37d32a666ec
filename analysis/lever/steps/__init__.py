"""Steps of the lever: where their responses settle and how soon."""
