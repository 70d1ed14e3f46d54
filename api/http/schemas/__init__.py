"""The models of the HTTP side: requests and answers. The OpenAPI document is made from them."""
