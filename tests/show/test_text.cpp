#include "show/text.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <cstdint>
#include <set>
#include <sstream>
#include <string>

#include "findings.hpp"
#include "pipebeat/certainty.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

using namespace pipebeat;

namespace {

std::string text_of(const Finding& f, const show::TextOptions& options = {},
                    std::string_view file = "a.wav") {
  const Engine engine = test::four();
  return show::to_text({file, engine, f}, options);
}

std::string first_line(const std::string& text) { return text.substr(0, text.find('\n')); }

bool contains(const std::string& text, std::string_view part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("The verdict comes first, in plain words, with its number") {
  const std::string text = text_of(test::one_dead());
  CHECK(first_line(text) == "One cylinder is dead: 25 % of the exhaust pulses are missing.");
  CHECK(contains(text, "25.0 % (95 %: 23.6 to 26.1 %), 69 of 276 pulses"));
  CHECK(contains(text, "Long run    20.3 to 30.4 % of the pulses, if this verdict is right\n"));
  CHECK(contains(text, "702 rpm (688 to 720), 23.4 pulses a second"));
  CHECK(contains(text, "97 %"));
  CHECK(contains(text, "Position 3 carries no pulse"));
}

TEST_CASE("Nothing is quite certain") {
  CHECK(certainty(0.974) == "97 %");
  CHECK(certainty(0.9949) == "99 %");
  CHECK(certainty(0.9996) == "over 99 %");
  CHECK(certainty(1e-9) == "under 1 %");
}

TEST_CASE("Two dead cylinders are two") {
  Finding f = test::one_dead();
  f.positions[1].missing_ratio = 0.97;
  CHECK(first_line(text_of(f)).starts_with("Two cylinders are dead"));
  // One that was never there sounds like a dead one.
  CHECK(contains(text_of(f), "Make sure that it has 4 cylinders: an engine of fewer"));
  CHECK_FALSE(contains(text_of(test::one_dead()), "Make sure that it has"));
}

TEST_CASE("A bar is as long as its pulse is strong") {
  const std::string text = text_of(test::one_dead());
  CHECK(contains(text, "       1    ###############...............   1.02     0.0 % missing"));
  CHECK(contains(text, "       3    #.............................   0.04   100.0 % missing"));
}

TEST_CASE("Every verdict has its own headline and a next step") {
  const Engine engine = test::four();
  std::set<std::string> headlines;
  for (std::size_t i = 0; i < verdict_count; ++i) {
    Finding f = test::one_dead();
    f.verdict = Verdict(i);
    const show::Report report{"a.wav", engine, f};
    CHECK(headlines.insert(show::headline(report)).second);
    CHECK_FALSE(show::next_steps(report).empty());
  }
}

TEST_CASE("Every reason is an English sentence of its own") {
  std::set<std::string> sentences;
  for (int i = 0; i < test::reason_count; ++i) {
    const ReasonCode code{i};
    const std::string text = show::sentence({code, 2, 0.5, 0.7});
    CAPTURE(text);
    CHECK(sentences.insert(text).second);
    CHECK_FALSE(contains(text, "_"));
    CHECK(contains(text, " "));
    CHECK_FALSE(text.ends_with('.'));
  }
}

TEST_CASE("Every way of being unclear says what to do") {
  const Engine engine = test::four();
  for (int i = 0; i < unclear_reason_count; ++i) {
    const Finding f = test::unclear(ReasonCode{i});
    const show::Report report{"a.wav", engine, f};
    CHECK(show::headline(report).starts_with("No answer: "));
    CHECK_FALSE(show::next_steps(report).empty());
  }
}

TEST_CASE("A speed guess shows, and is doubted first when there is no answer") {
  const Engine engine = test::four();
  const Finding dead = test::one_dead();
  CHECK(contains(show::to_text({"a.wav", engine, dead, Rpm{700.0}}),
                 "23.4 pulses a second, looked for near 700\n"));
  for (int i = 0; i < unclear_reason_count; ++i) {
    const Finding f = test::unclear(ReasonCode{i});
    const auto steps = show::next_steps({"a.wav", engine, f, Rpm{1600.0}});
    CHECK(steps.front() ==
          "The speed was looked for near 1600 rpm only: if that may be wrong, try again "
          "without --rpm.");
    CHECK(std::none_of(steps.begin() + 1, steps.end(),
                       [](const auto& step) { return contains(step, "rpm"); }));
    CHECK_FALSE(contains(show::next_steps({"a.wav", engine, f}).front(), "without --rpm"));
  }
}

TEST_CASE("One cylinder alone shares its misses with no other") {
  const Engine one = *Engine::make({1, 4, {}, {}, {}});
  Finding f = test::one_dead();
  f.verdict = Verdict::random_miss;
  f.positions.resize(1);
  const std::string text = show::to_text({"a.wav", one, f});
  CHECK(first_line(text).starts_with("The cylinder misses at random: "));
  CHECK_FALSE(contains(text, "all cylinders"));
  CHECK(contains(text_of(f), "on several cylinders"));
}

TEST_CASE("A two-stroke that leaves out firings may be well") {
  Finding f = test::one_dead();
  f.verdict = Verdict::random_miss;
  const auto first_step = [&](int strokes) {
    const Engine engine = *Engine::make({1, strokes, {}, {}, {}});
    return show::next_steps({"a.wav", engine, f}).front();
  };
  CHECK(contains(first_step(2), "four-stroking"));
  CHECK_FALSE(contains(first_step(4), "four-stroking"));
  // Every other one, always: an even engine at half the speed, as far as sound can tell.
  f.verdict = Verdict::even;
  const auto last_step = [&](int strokes) {
    const Engine engine = *Engine::make({1, strokes, {}, {}, {}});
    return show::next_steps({"a.wav", engine, f}).back();
  };
  CHECK(contains(last_step(2), "half its speed"));
  CHECK_FALSE(contains(last_step(4), "half its speed"));
}

TEST_CASE("Standard input has a name, and a verdict words for a list") {
  CHECK(contains(text_of(test::one_dead(), {}, "-"), "\n  standard input: 12.0 s"));
  CHECK(show::in_words("dead_miss") == "a cylinder is dead");
  CHECK(show::in_words("something newer") == "something newer");
}

TEST_CASE("An empty position is said as empty as it is") {
  CHECK(show::sentence({ReasonCode::levels_agree, 0, 0.18, 0.0}) ==
        "the pulses of all positions agree within 18 %");
  CHECK(show::sentence({ReasonCode::levels_agree, 0, 1.04, 0.0})
            .starts_with("the positions' levels differ by 104 %"));
  CHECK(show::sentence({ReasonCode::low_position, 2, 0.55, 0.0})
            .starts_with("position 2 fires with a small pulse"));
  CHECK(show::sentence({ReasonCode::low_position, 2, 1.02, 0.0})
            .starts_with("position 2 is judged weak, though"));
  CHECK(show::sentence({ReasonCode::empty_position, 3, 0.89, 0.0}) ==
        "position 3 is judged empty, though something sounds in its place (level 0.89; 1 is a full "
        "pulse)");
  CHECK(show::sentence({ReasonCode::empty_position, 3, 0.04, 0.0}) ==
        "position 3 carries no pulse (level 0.04; 1 is a full pulse)");
  CHECK(show::sentence({ReasonCode::empty_position, 4, 0.26, 0.0}) ==
        "position 4 carries hardly any pulse (level 0.26; 1 is a full pulse)");
}

TEST_CASE("Wherever recording is advised the caution stands") {
  for (std::size_t i = 0; i < verdict_count; ++i) {
    Finding f = test::one_dead();
    f.verdict = Verdict(i);
    const std::string text = text_of(f);
    CHECK(contains(text, "outdoors, parking brake on, wheels chocked"));
    CHECK(contains(text, "the maker's procedure"));
  }
}

TEST_CASE("Advice to take cylinders out of action comes with the workshop caution") {
  CHECK(contains(text_of(test::one_dead()), "ignition voltage"));
}

TEST_CASE("Lines fit a terminal as it opens, and a file name can't break them") {
  Finding f = test::one_dead();
  for (int i = 0; i < test::reason_count; ++i) f.reasons.push_back({ReasonCode{i}, 2, 0.5, 0.7});
  for (int i = 0; i < 400; ++i) {
    f.events.push_back(
        {0.05F * static_cast<float>(i), i / 4, static_cast<std::int16_t>(i % 4 + 1), 1.0F, 0.0F});
  }
  for (std::size_t i = 0; i < verdict_count; ++i) {
    f.verdict = Verdict(i);
    for (const int columns : {80, 60, 40}) {
      std::istringstream lines{
          text_of(f, {.beat_map = true, .columns = columns}, "two\nlines\x1b[31m.wav")};
      int count = 0;
      for (std::string line; std::getline(lines, line); ++count) {
        CAPTURE(line);
        CHECK(show::width(line) <= static_cast<std::size_t>(columns));
        CHECK_FALSE(contains(line, "\x1b"));
      }
      CHECK(count > 20);
    }
  }
  CHECK(contains(text_of(f, {}, "two\nlines.wav"), "two?lines.wav"));
}

TEST_CASE("A paragraph is broken between words, by what is seen of them") {
  CHECK(show::wrapped("  - ", "one two three four five six", 20) ==
        "  - one two three\n    four five six\n");
  // An umlaut takes one column, "25 %" is one word, and what is wider than the line is left whole.
  CHECK(show::wrapped("",
                      "\u00e4\u00f6\u00fc\u00e4\u00f6\u00fc\u00e4\u00f6\u00fc "
                      "\u00e4\u00f6\u00fc\u00e4\u00f6\u00fc\u00e4\u00f6",
                      20)
            .find('\n') == 35);
  CHECK(show::wrapped("", "some more than 25 % of it", 20) == "some more than\n25 % of it\n");
  CHECK(show::wrapped("", "see /a/very/long/name/of/a/file", 20) ==
        "see\n/a/very/long/name/of/a/file\n");
  // A label that takes half of the line does so once.
  CHECK(show::wrapped("  cylinder at fault  ", "one two three four five", 30) ==
        "  cylinder at fault  one two\n      three four five\n");
  CHECK(show::wrapped("", "") == "\n");
}

TEST_CASE("Colour only when asked for") {
  CHECK_FALSE(contains(text_of(test::one_dead()), "\x1b"));
  CHECK(contains(text_of(test::one_dead(), {.colour = true}), "\x1b[1;31m"));
}
