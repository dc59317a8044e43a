// JSON files that people edit: parsed with a position for every complaint.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/result.hpp"

namespace pipebeat::job {

using Json = nlohmann::ordered_json;

/// What is wrong with a document, and at which JSON pointer. Thrown by Node, caught in this layer
/// only: it never leaves a public function.
struct Damage {
  std::string pointer;
  std::string what;
};

/// A parsed document with its text, so that complaints can name line and column.
struct JsonText {
  std::string name;  ///< of the file, for messages
  std::string text;
  Json root;

  /// Errors: damaged, with line and column, for what is no JSON, a name given twice in one object,
  /// or nesting deeper than 32.
  static Result<JsonText> parse(std::string name, std::string text);

  /// The complaint as an error: "NAME:LINE:COLUMN: WHAT".
  [[nodiscard]] Error error(const Damage& damage, std::string hint) const;
};

/// One value of a document, asked for with its type. Every function throws Damage when the value
/// is not what it is asked to be.
class Node {
 public:
  explicit Node(const Json& value, std::string pointer = "")
      : value_{&value}, pointer_{std::move(pointer)} {}

  [[nodiscard]] Node at(std::string_view key) const;
  [[nodiscard]] std::optional<Node> find(std::string_view key) const;
  [[nodiscard]] std::vector<Node> items() const;
  /// Keys and values of an object, in file order.
  [[nodiscard]] std::vector<std::pair<std::string, Node>> members() const;
  [[nodiscard]] std::string text() const;
  [[nodiscard]] double number() const;
  [[nodiscard]] int integer(int least, int most) const;
  [[nodiscard]] bool truth() const;
  /// text() of an optional member, or `otherwise`.
  [[nodiscard]] std::string text_or(std::string_view key, std::string otherwise = "") const;
  [[nodiscard]] int integer_or(std::string_view key, int otherwise, int least, int most) const;
  [[nodiscard]] std::vector<std::string> texts_or_none(std::string_view key) const;
  [[nodiscard]] const Json& json() const { return *value_; }
  [[noreturn]] void wrong(std::string what) const { throw Damage{pointer_, std::move(what)}; }

 private:
  const Json* value_;
  std::string pointer_;
};

}  // namespace pipebeat::job
