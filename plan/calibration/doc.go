// Package calibration finds how a machine's carriage really moves: it draws a pattern of marks, takes the
// distances between them as a person read them from a caliper, and fits scale, squareness and backlash
// by least squares, with residuals and uncertainty.
//
// The model: told to go to (x, y), the carriage goes to (sx·x + sy·y·sin γ, sy·y·cos γ); an axis that came
// from above stands its backlash farther up, since the carriage lags behind its motor. The pattern is drawn
// without making up for scale and squareness: a line that leans to make up for them turns the other axis
// round by a little, and what that axis loses then cannot be told from what is measured. Backlash is taken
// up as ever, so what is found of it is left over, and a proposal adds it to the profile's.
//
// Everything is a pure function in whole micrometres, millionths and microradians.
package calibration
