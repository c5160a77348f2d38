// The ballot on a phone.
