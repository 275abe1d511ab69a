package web

import "html/template"

// signs are our own drawings after the shapes that ISO 3864-1 and ISO 7010 give a meaning: a blue
// disc for what must be done, a red square for fire equipment, a yellow triangle for a warning.
// Each is a symbol in a 48 × 48 field; every page that shows one carries this sheet once. Colours
// are presentation attributes, so that no style sheet can change their meaning.
const signs = `<svg xmlns="http://www.w3.org/2000/svg" width="0" height="0" class="signs" aria-hidden="true" focusable="false">
<symbol id="sign-eyewear" viewBox="0 0 48 48"><circle cx="24" cy="24" r="23.5" fill="#fff"/><circle cx="24" cy="24" r="22" fill="#0b4f9e"/><path d="M8 20h32v3.5c0 5.5-3 9-8 9-4.600 0-6.600-3.600-8-7.500-1.400 3.900-3.400 7.500-8 7.500-5 0-8-3.500-8-9z" fill="#fff"/><path d="M11.500 23.500h8.500c-.8 3.600-2.300 5.500-4.400 5.500-2.500 0-4-2-4.100-5.500zm25 0h-8.500c.8 3.600 2.300 5.500 4.400 5.500 2.500 0 4-2 4.100-5.500z" fill="#0b4f9e"/></symbol>
<symbol id="sign-extinguisher" viewBox="0 0 48 48"><rect width="48" height="48" rx="2" fill="#fff"/><rect x="1.500" y="1.500" width="45" height="45" rx="1" fill="#850d16"/><path d="M17 19.500c0-3 2.200-4.500 4.500-4.800V11.500h-5.500V8h13v3.500h-2.500v3.200c2.300.3 4.500 1.800 4.500 4.800V41H17z" fill="#fff"/><path d="M28 11c6 .5 9.500 4.500 10 12.500l-2.800 3-2.400-2.800c.2-5.500-1.600-9-4.800-9.700z" fill="#fff"/></symbol>
<symbol id="sign-ventilation" viewBox="0 0 48 48"><circle cx="24" cy="24" r="23.5" fill="#fff"/><circle cx="24" cy="24" r="22" fill="#0b4f9e"/><g fill="none" stroke="#fff" stroke-width="3.400" stroke-linecap="round"><path d="M9 19h18.500a4.500 4.500 0 1 0-4.300-5.900"/><path d="M9 25.500h26a4 4 0 1 1-3.800 5.200"/><path d="M9 32h13.500a4 4 0 1 1-3.800 5.200"/></g></symbol>
<symbol id="sign-material" viewBox="0 0 48 48"><circle cx="24" cy="24" r="23.5" fill="#fff"/><circle cx="24" cy="24" r="22" fill="#0b4f9e"/><path d="M7.500 27.500 24 19.500l16.500 8L24 35.500z" fill="#fff"/><path d="M7.500 32 24 40l16.500-8" fill="none" stroke="#fff" stroke-width="2.400"/><path d="m17 13 5.200 5L32 8.500" fill="none" stroke="#fff" stroke-width="3.400"/></symbol>
<symbol id="sign-beam" viewBox="0 0 48 48"><path d="M24 2 47.300 43.500H.7z" fill="#1c1a17" stroke="#1c1a17" stroke-width="1.500" stroke-linejoin="round"/><path d="M24 7.500 42.200 40.300H5.800z" fill="#f5c400"/><g stroke="#1c1a17" stroke-width="2.200" stroke-linecap="round"><path d="M11 30.500h26"/><path d="m24 22 0 17M18 24.500l12 12M30 24.500l-12 12"/></g><circle cx="24" cy="30.500" r="3.600" fill="#1c1a17"/></symbol>
<symbol id="sign-must" viewBox="0 0 48 48"><circle cx="24" cy="24" r="23.5" fill="#fff"/><circle cx="24" cy="24" r="22" fill="#0b4f9e"/><path d="M20.500 9h7l-1.300 19h-4.400z" fill="#fff"/><circle cx="24" cy="35" r="3.800" fill="#fff"/></symbol>
<symbol id="sign-warning" viewBox="0 0 48 48"><path d="M24 2 47.300 43.500H.7z" fill="#1c1a17" stroke="#1c1a17" stroke-width="1.500" stroke-linejoin="round"/><path d="M24 7.500 42.200 40.300H5.800z" fill="#f5c400"/><path d="M21.600 16.500h4.800l-.9 13h-3z" fill="#1c1a17"/><circle cx="24" cy="34.500" r="2.800" fill="#1c1a17"/></symbol>
<symbol id="sign-locked" viewBox="0 0 48 48"><circle cx="24" cy="24" r="23.5" fill="#fff"/><circle cx="24" cy="24" r="19.500" fill="none" stroke="#850d16" stroke-width="5"/><path d="m10.500 10.500 27 27" stroke="#850d16" stroke-width="5"/></symbol>
</svg>`

// SignSheet gives the symbols that Sign refers to.
func SignSheet() template.HTML { return template.HTML(signs) }

// Sign names a checklist item's symbol; an item without a sign of its own gets the general
// mandatory sign.
func Sign(itemKey string) string {
	switch itemKey {
	case "eyewear", "extinguisher", "ventilation", "material":
		return "sign-" + itemKey
	case "supply":
		return "sign-beam"
	}
	return "sign-must"
}
