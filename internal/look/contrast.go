package look

import "math"

// Contrast is the contrast ratio of two colours written #rrggbb, from 1 to 21,
// as WCAG 2.2 defines it: (L1 + 0.05) / (L2 + 0.05) of the relative luminances,
// the lighter first.
func Contrast(a, b string) (float64, error) {
	la, err := luminance(a)
	if err != nil {
		return 0, err
	}
	lb, err := luminance(b)
	if err != nil {
		return 0, err
	}
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05), nil
}

// luminance is the relative luminance of WCAG 2.2: sRGB made linear, weighted.
func luminance(hex string) (float64, error) {
	c, err := rgb(hex)
	if err != nil {
		return 0, err
	}
	for i, v := range c {
		if v <= 0.04045 {
			c[i] = v / 12.92
		} else {
			c[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2], nil
}
