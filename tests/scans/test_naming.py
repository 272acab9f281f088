"""Names of slices: order, stacks, gaps."""

from hypothesis import given
from hypothesis import strategies as st

from ossicle.scans.naming import missing_numbers, natural_key, number_stacks, printable

names = st.lists(st.text(min_size=1, max_size=12).filter(lambda s: "/" not in s), unique=True, max_size=30)


@given(st.lists(st.integers(0, 10**12), unique=True), st.text(alphabet="abc_-. ", max_size=5))
def test_numbers_sort_as_numbers(numbers, prefix):
    listed = sorted((f"{prefix}x{n}.tif" for n in numbers), key=natural_key)
    assert listed == [f"{prefix}x{n}.tif" for n in sorted(numbers)]


@given(names, st.randoms())
def test_order_is_total_and_does_not_depend_on_the_folder(listed, random):
    shuffled = list(listed)
    random.shuffle(shuffled)
    assert sorted(listed, key=natural_key) == sorted(shuffled, key=natural_key)


@given(names)
def test_every_name_lands_in_one_stack(listed):
    stacks = number_stacks(listed)
    assert sorted(n for s in stacks for n in s.names) == sorted(listed)
    for stack in stacks:
        assert list(stack.numbers) == sorted(stack.numbers)


def test_two_stacks_in_a_folder_are_told_apart():
    listed = [f"a2_{i:03}.tif" for i in range(5)] + [f"a3_{i:03}.tif" for i in range(4)] + ["overview.tif"]
    stacks = number_stacks(listed)
    assert [(s.id, len(s.names)) for s in stacks] == [("a2_#.tif", 5), ("a3_#.tif", 4), ("overview.tif", 1)]


def test_numbers_that_merely_go_along_do_not_split_a_stack():
    stacks = number_stacks([f"s{i}_pos{i * 3 // 2}_of_120.tif" for i in range(8)])
    assert len(stacks) == 1
    assert stacks[0].numbers == tuple(range(8))


def test_gaps():
    assert missing_numbers([1, 2, 3, 4]) == []
    assert missing_numbers([1, 3, 5, 9]) == [7]
    assert missing_numbers([5]) == []
    assert missing_numbers([2, 2, 3]) == []
    assert len(missing_numbers([0, 1, 10**9])) <= 10_001


@given(st.text(st.characters(exclude_categories=()), max_size=20))
def test_what_a_file_says_never_moves_a_cursor(text):
    out = printable(text)
    out.encode("utf-8")
    assert not any(c in out for c in "\x00\x07\x08\n\r\x1b\x9b\u202e\u2028")
    if text.isascii() and text.isprintable():
        assert out == text
