#include "job/json_text.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

namespace pipebeat::job {

namespace {

constexpr std::size_t deepest = 32;
/// Names, values and ends in one file: each takes up to a hundred bytes, however short it is
/// written.
constexpr std::size_t most_values = 100'000;

std::string place(std::string_view text, std::size_t offset) {
  const std::string_view before = text.substr(0, std::min(offset, text.size()));
  const auto line = 1 + std::count(before.begin(), before.end(), '\n');
  const std::size_t newline = before.rfind('\n');
  const std::size_t start = newline == std::string_view::npos ? 0 : newline + 1;
  // Columns count characters, not the bytes of UTF-8.
  const auto column =
      1 + std::count_if(before.begin() + static_cast<std::ptrdiff_t>(start), before.end(),
                        [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; });
  return fmt::format("{}:{}", line, column);
}

/// Goes over a text before anything of it is kept: how much there is, how deep, which name comes
/// twice. (The parser's own callback would do, but goes through a list again after every object in
/// it.)
class Survey : public nlohmann::json_sax<Json> {
 public:
  [[nodiscard]] bool too_many() const { return count_ > most_values; }
  [[nodiscard]] bool too_deep() const { return too_deep_; }
  /// The first name that stands twice in one object; empty: none does.
  [[nodiscard]] const std::string& twice() const { return twice_; }

  bool null() override { return another(); }
  bool boolean(bool) override { return another(); }
  bool number_integer(Json::number_integer_t) override { return another(); }
  bool number_unsigned(Json::number_unsigned_t) override { return another(); }
  bool number_float(Json::number_float_t, const std::string&) override { return another(); }
  bool string(std::string&) override { return another(); }
  bool binary(Json::binary_t&) override { return another(); }
  bool start_object(std::size_t) override { return begin(); }
  bool end_object() override { return end(); }
  bool start_array(std::size_t) override { return begin(); }
  bool end_array() override { return end(); }
  bool key(std::string& name) override {
    if (!names_.back().insert(name).second && twice_.empty()) twice_ = name;
    return another();
  }
  bool parse_error(std::size_t, const std::string&, const Json::exception&) override {
    return false;
  }

 private:
  /// False ends the parsing.
  bool another() {
    if (names_.size() > deepest) too_deep_ = true;
    return ++count_ <= most_values;
  }
  bool begin() {
    const bool go_on = another();
    names_.emplace_back();
    return go_on;
  }
  bool end() {
    names_.pop_back();
    return another();
  }

  std::vector<std::set<std::string>> names_;  ///< of every object and list that is open
  std::size_t count_ = 0;
  bool too_deep_ = false;
  std::string twice_;
};

/// Walks well-formed JSON to the value a pointer names.
class Locator {
 public:
  explicit Locator(std::string_view text) : text_{text} {}

  /// Offset of the value; of the deepest value on the way to it where it is missing.
  std::size_t offset(std::string_view pointer) {
    blanks();
    while (!pointer.empty()) {
      pointer.remove_prefix(1);
      const std::size_t end = std::min(pointer.find('/'), pointer.size());
      const std::size_t here = at_;
      if (!enter(pointer.substr(0, end))) return here;
      pointer.remove_prefix(end);
    }
    return at_;
  }

 private:
  void blanks() { at_ = std::min(text_.find_first_not_of(" \t\r\n", at_), text_.size()); }
  [[nodiscard]] char next() const { return at_ < text_.size() ? text_[at_] : '\0'; }

  std::string_view string() {
    const std::size_t start = ++at_;
    while (next() != '"' && at_ < text_.size()) at_ += next() == '\\' ? 2U : 1U;
    const std::size_t end = std::min(at_, text_.size());
    at_ = end + 1;
    return text_.substr(start, end - start);
  }

  void skip() {
    if (next() == '"') {
      string();
      return;
    }
    if (next() != '{' && next() != '[') {
      at_ = std::min(text_.find_first_of(",]} \t\r\n", at_), text_.size());
      return;
    }
    int depth = 0;
    do {
      if (next() == '"') {
        string();
        continue;
      }
      if (next() == '{' || next() == '[') ++depth;
      if (next() == '}' || next() == ']') --depth;
      ++at_;
    } while (depth > 0 && at_ < text_.size());
  }

  /// Goes to the member or item of that name inside the value at at_.
  bool enter(std::string_view key) {
    const bool object = next() == '{';
    if (!object && next() != '[') return false;
    ++at_;
    for (std::size_t index = 0; at_ < text_.size(); ++index) {
      blanks();
      if (next() == '}' || next() == ']') return false;
      bool found = false;
      if (object) {
        found = string() == key;
        blanks();
        ++at_;  // the colon
        blanks();
      } else {
        found = std::to_string(index) == key;
      }
      if (found) return true;
      skip();
      blanks();
      if (next() == ',') ++at_;
    }
    return false;
  }

  std::string_view text_;
  std::size_t at_ = 0;
};

}  // namespace

Result<JsonText> JsonText::parse(std::string name, std::string text) {
  const std::string hint =
      "mend that place in a text editor, or restore a copy; nothing was written";
  JsonText out{std::move(name), std::move(text), {}};
  Survey survey;
  Json::sax_parse(out.text, &survey);  // where it does not parse, what follows says why
  if (survey.too_many()) {
    return fail(ErrorCode::damaged, fmt::format("{}: more than {} values", out.name, most_values),
                "start a new job, or restore a copy");
  }
  try {
    out.root = Json::parse(out.text);
  } catch (const Json::parse_error& e) {
    std::string what = e.what();
    // "[json.exception...] parse error at line 3, column 5: syntax error while ...": its last part.
    const std::size_t colon = what.find(": ");
    if (colon != std::string::npos) what = what.substr(colon + 2);
    const std::size_t offset = e.byte > 0 ? e.byte - 1 : 0;
    return fail(ErrorCode::damaged,
                fmt::format("{}:{}: {}", out.name, place(out.text, offset), what), hint);
  } catch (const Json::out_of_range& e) {
    // "[json.exception...] number overflow parsing '2e308'"
    const std::string what = e.what();
    const std::size_t open = what.find('\'');
    const std::string number =
        open == std::string::npos ? "" : what.substr(open + 1, what.rfind('\'') - open - 1);
    const std::size_t offset =
        number.empty() ? 0 : std::min(out.text.find(number), out.text.size());
    return fail(
        ErrorCode::damaged,
        fmt::format("{}:{}: the number {} is too large", out.name, place(out.text, offset), number),
        hint);
  }
  const std::string& twice = survey.twice();
  std::string complaint;
  if (survey.too_deep()) complaint = fmt::format("nested deeper than {} levels", deepest);
  if (!twice.empty()) complaint = fmt::format("the name \"{}\" stands twice in one object", twice);
  if (!complaint.empty()) {
    std::size_t offset = 0;
    if (!twice.empty()) {
      const std::string quoted = Json(twice).dump(-1, ' ', false, Json::error_handler_t::replace);
      const std::size_t first = out.text.find(quoted);
      const std::size_t second =
          first == std::string::npos ? first : out.text.find(quoted, first + 1);
      offset = second == std::string::npos ? 0 : second;
    }
    return fail(ErrorCode::damaged,
                fmt::format("{}:{}: {}", out.name, place(out.text, offset), complaint), hint);
  }
  return out;
}

Error JsonText::error(const Damage& damage, std::string hint) const {
  return {ErrorCode::damaged,
          fmt::format("{}:{}: {}", name, place(text, Locator{text}.offset(damage.pointer)),
                      damage.what),
          std::move(hint)};
}

std::optional<Node> Node::find(std::string_view key) const {
  if (!value_->is_object()) wrong("an object {...} belongs here");
  const auto it = value_->find(std::string{key});
  if (it == value_->end()) return std::nullopt;
  return Node{*it, fmt::format("{}/{}", pointer_, key)};
}

Node Node::at(std::string_view key) const {
  const auto node = find(key);
  if (!node) wrong(fmt::format("\"{}\" is missing", key));
  return *node;
}

std::vector<Node> Node::items() const {
  if (!value_->is_array()) wrong("a list [...] belongs here");
  std::vector<Node> out;
  for (std::size_t i = 0; i < value_->size(); ++i) {
    out.emplace_back((*value_)[i], fmt::format("{}/{}", pointer_, i));
  }
  return out;
}

std::vector<std::pair<std::string, Node>> Node::members() const {
  if (!value_->is_object()) wrong("an object {...} belongs here");
  std::vector<std::pair<std::string, Node>> out;
  for (const auto& [key, value] : value_->items()) {
    out.emplace_back(key, Node{value, fmt::format("{}/{}", pointer_, key)});
  }
  return out;
}

std::string Node::text() const {
  if (!value_->is_string()) wrong("a text in quotes belongs here");
  return value_->get<std::string>();
}

double Node::number() const {
  if (!value_->is_number() || !std::isfinite(value_->get<double>())) wrong("a number belongs here");
  return value_->get<double>();
}

bool Node::truth() const {
  if (!value_->is_boolean()) wrong("say true or false");
  return value_->get<bool>();
}

int Node::integer(int least, int most) const {
  const bool whole = value_->is_number_integer();
  const double value = whole ? value_->get<double>() : 0.0;
  if (!whole || value < least || value > most) {
    wrong(fmt::format("a whole number from {} to {} belongs here", least, most));
  }
  return static_cast<int>(value);
}

std::string Node::text_or(std::string_view key, std::string otherwise) const {
  const auto node = find(key);
  return node ? node->text() : std::move(otherwise);
}

int Node::integer_or(std::string_view key, int otherwise, int least, int most) const {
  const auto node = find(key);
  return node ? node->integer(least, most) : otherwise;
}

std::vector<std::string> Node::texts_or_none(std::string_view key) const {
  std::vector<std::string> out;
  if (const auto node = find(key)) {
    for (const Node& item : node->items()) out.push_back(item.text());
  }
  return out;
}

}  // namespace pipebeat::job
