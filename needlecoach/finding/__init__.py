"""One picture in, the places where a needle could lie out."""
