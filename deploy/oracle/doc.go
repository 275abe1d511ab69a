// Package oracle holds our computation against programs of others: a browser's geometry, a second
// renderer, a second polygon library, a second reader of drawings. Nothing of it is part of the
// product. The npm packages are pinned in package-lock.json and installed by `make install-test`.
package oracle
