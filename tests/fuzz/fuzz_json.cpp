// JSON in: what parses can be walked, asked for every type, and written and read again.
#include <string>

#include "fuzz.hpp"
#include "job/json_text.hpp"

using namespace pipebeat::job;

namespace {

// A complaint reads the text up to its place: a few tell as much as one for every value.
constexpr int most_complaints = 50;
int complaints = 0;

template <class Ask>
void ask(const JsonText& document, const Ask& question) {
  try {
    question();
  } catch (const Damage& damage) {
    if (++complaints > most_complaints) return;
    fuzz::check(document.error(damage, "mend it").what.starts_with("fuzz.json:"), "a place is named");
  }
}

void walk(const JsonText& document, const Node& node) {
  ask(document, [&] { static_cast<void>(node.text()); });
  ask(document, [&] { static_cast<void>(node.number()); });
  ask(document, [&] { static_cast<void>(node.integer(-5, 100)); });
  ask(document, [&] { static_cast<void>(node.text_or("id")); });
  ask(document, [&] { static_cast<void>(node.texts_or_none("tools")); });
  ask(document, [&] {
    for (const auto& [key, member] : node.members()) {
      fuzz::check(node.find(key).has_value(), "a member is found by its name");
      walk(document, member);
    }
  });
  ask(document, [&] {
    for (const Node& item : node.items()) walk(document, item);
  });
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto document =
      JsonText::parse("fuzz.json", std::string{reinterpret_cast<const char*>(data), size});
  if (!document) return 0;
  complaints = 0;
  walk(*document, Node{document->root});
  const auto again = JsonText::parse("again.json", document->root.dump());
  fuzz::check(again && again->root == document->root, "what was written is read back the same");
  return 0;
}
