// Package dxf reads ASCII DXF files, R12 to 2018, into shapes in millimetres.
//
// It is a reader for hostile bytes like its neighbour for SVG: limits first, then groups, then
// entities. Lines, arcs, circles, ellipses, polylines, splines and inserts become shapes; everything
// else is named in a Notice with kind, handle and line. What leaves the rest of the file in doubt, such
// as a word where a number must stand, is a Refusal.
//
// The drawing is looked at from above, along its z axis. Its y grows upward and its unit is what the
// header says or a person answers; the result's y grows downward from the upper left corner of the
// page, which is the extent of what was read.
package dxf
