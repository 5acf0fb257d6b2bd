"""What all documents share: strict fields, a schema name, and the way to and from JSON."""

import json
from typing import Any, ClassVar, Self

from pydantic import BaseModel, ConfigDict, ValidationError

from service.documents.validation import problem_in
from service.errors import DocumentError

__all__ = ["Document", "Part"]


class Part(BaseModel):
    """A part of a document: numbers are numbers, finite, and a misspelt field is an error."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True
    )


class Document(Part):
    """A whole document, read and written as JSON.

    Later versions of the same schema may carry further fields, so reading leaves unknown ones
    out.
    """

    model_config = ConfigDict(extra="ignore")

    kind: ClassVar[str]
    """What this document is called in a sentence."""

    def to_plain(self) -> dict[str, Any]:
        """Return the document as JSON types, fields under their published names."""
        return self.model_dump(mode="json", by_alias=True)

    def to_json(self) -> str:
        """Return the document as indented JSON text with a line end."""
        return json.dumps(self.to_plain(), indent=1, ensure_ascii=False) + "\n"

    @classmethod
    def from_json(cls, text: str | bytes, where: str) -> Self:
        """Read a document.

        Parameters
        ----------
        text : str or bytes
            JSON text.
        where : str
            Its file or address, for the error's sentence.

        Returns
        -------
        Document
            The document.

        Raises
        ------
        DocumentError
            If the text is not such a document.
        """
        try:
            return cls.model_validate_json(text)
        except ValidationError as error:
            raise DocumentError(
                f"{where} is no {cls.kind}: {problem_in(error.errors())}."
            ) from error
