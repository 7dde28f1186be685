"""The same steps for programs: ``/api/v1/``, hashed tokens, problem+json, an OpenAPI document under version control."""
