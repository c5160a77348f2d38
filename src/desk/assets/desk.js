// What the pages of the desk do beyond links and forms.
