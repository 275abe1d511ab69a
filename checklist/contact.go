package checklist

import "fmt"

// MaxContact bounds the words by which a site's contact is named, in bytes.
const MaxContact = 200

// contactItem asks, on a site of one that names a contact, that somebody knows of the start (common practice
// for working alone, no source).
func contactItem(contact string) Item {
	return Item{Key: ItemContact, Title: "Contact told", Core: true,
		Ask: fmt.Sprintf("tell %s that a run with the beam starts now, and when they hear from you again", contact),
		Fields: []Field{
			{Key: "told", Title: "told, and they answered", Kind: FieldYes},
		}}
}
