import pytest

from viz.svg import Markup, element, group, number, percent, picture, text


def test_text_and_attributes_are_escaped() -> None:
    drawn = element("text", '<script>"x"</script>', data_name='a"b<c>&')
    assert drawn == '<text data-name="a&quot;b&lt;c&gt;&amp;">&lt;script&gt;"x"&lt;/script&gt;</text>'


def test_markup_goes_in_as_it_is() -> None:
    assert group(text("a")) == "<g><text>a</text></g>"
    assert isinstance(group(), Markup)


def test_attributes_without_a_value_are_left_out_and_names_are_put_right() -> None:
    assert element("line", x1=0, y1=1.5, class_="tick", stroke_width=None) == '<line x1="0" y1="1.5" class="tick"/>'


@pytest.mark.parametrize("name", ["style", "onclick", "onload"])
def test_styles_and_handlers_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match=name):
        element("rect", **{name: "x"})


@pytest.mark.parametrize(
    ("value", "written"), [(0.0, "0"), (-0.0001, "0"), (12.5, "12.5"), (100 / 3, "33.333"), (20.0, "20"), (100, "100")]
)
def test_numbers_are_short(value: float, written: str) -> None:
    assert number(value) == written
    assert percent(value) == f"{written}%"


def test_a_picture_has_a_name_and_a_description() -> None:
    drawn = picture(uid="p", title="A & B", desc="what it shows", height=20)
    assert '<title id="p-title">A &amp; B</title>' in drawn
    assert 'aria-labelledby="p-title"' in drawn
    assert 'role="img"' in drawn
