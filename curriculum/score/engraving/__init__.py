"""A written score as pictures of notation, safe to put into a page.

The question answered: *how does this score look on a phone, on a desk and on paper?* The drawing is done by Verovio in a child
process that gets MusicXML of our own making and can do little harm (`boxing`); what it draws is rebuilt from a list of allowed
shapes (`cleaning`), and nothing is given out unless every note that is written was drawn, once (`drawing.engrave`).

Conventions
-----------
* **Layouts.** `NARROW` is one tall page for a phone, `WIDE` pages for a desk and for A4 paper. Widths are in the engraver's units; a staff
  is 72 of them high. On a phone 360 pixels wide a staff of `NARROW` is 42 pixels, near 7 mm; `WIDE` printed 180 mm wide has staves of 7.2 mm.
* **Ids.** A note-head carries `data-note`, our id of the written note; a bar carries `data-bar`, its index. There are no ids that two
  pictures in one page could share: shapes used again and again are named by layout and page.
* **Colour.** Nothing has a colour or a style of its own. Shapes draw in `currentColor`, and classes beginning with `m-` (`m-note`,
  `m-slur`, `m-fing`, ...) say what they are.
* **Stretches.** Long scores are engraved in stretches of bars (`drawing.stretches`), so that no page grows without end.
"""
