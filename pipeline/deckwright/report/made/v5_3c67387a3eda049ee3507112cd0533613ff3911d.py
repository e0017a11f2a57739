from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'deck.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    parent_template = None
    l_0_pieces = l_0_guesses = missing
    try:
        t_1 = environment.filters['join']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'join' found.")
    pass
    parent_template = environment.get_template('page.html', 'deck.html')
    for name, parent_block in parent_template.blocks.items():
        context.blocks.setdefault(name, []).append(parent_block)
    l_0_pieces = context.vars['pieces'] = environment.get_template('pieces.html', 'deck.html').make_module(context.get_all(), True, {'guesses': l_0_guesses, 'pieces': l_0_pieces})
    context.exported_vars.discard('pieces')
    def macro(l_1_one, l_1_fields):
        t_2 = []
        l_1_types = resolve('types')
        if l_1_one is missing:
            l_1_one = undefined("parameter 'one' was not provided", name='one')
        if l_1_fields is missing:
            l_1_fields = undefined("parameter 'fields' was not provided", name='fields')
        pass
        if (not l_1_fields):
            pass
            t_2.append(
                '<p>Too few cards to guess from.</p>\n',
            )
        else:
            pass
            def macro():
                t_3 = []
                pass
                t_3.extend((
                    '<table class="guesses">\n',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['No.', 'Columns', 'Guess', 'Why'], (0,)))),
                    '\n<tbody>\n',
                ))
                for l_3_field in l_1_fields:
                    _loop_vars = {}
                    pass
                    t_3.extend((
                        '<tr><td class="n">',
                        escape(environment.finalize(environment.getattr(l_3_field, 'number'))),
                        '</td><td><span class="mono">',
                        escape(environment.finalize(environment.getattr(environment.getattr(l_3_field, 'guess'), 'columns'))),
                        '</span>',
                    ))
                    if environment.getattr(l_3_field, 'each'):
                        pass
                        t_3.extend((
                            '<small class="soft">',
                            escape(environment.finalize(environment.getattr(l_3_field, 'each'))),
                            '</small>',
                        ))
                    t_3.extend((
                        '</td>\n<td class="what"><b>',
                        escape(environment.finalize(environment.getattr(environment.getattr(l_3_field, 'guess'), 'what'))),
                        '</b><span class="strength"><span class="dots" aria-hidden="true">',
                        escape(environment.finalize(environment.getattr(l_3_field, 'dots'))),
                        '</span> ',
                        escape(environment.finalize(environment.getattr(environment.getattr(l_3_field, 'guess'), 'strength'))),
                        '</span></td>\n<td class="because">',
                    ))
                    if environment.getattr(l_3_field, 'each'):
                        pass
                        t_3.append(
                            'Of the first: ',
                        )
                    t_3.extend((
                        escape(environment.finalize(environment.getattr(environment.getattr(l_3_field, 'guess'), 'sentence'))),
                        '.',
                    ))
                    if environment.getattr(environment.getattr(l_3_field, 'guess'), 'reasons'):
                        pass
                        t_3.extend((
                            '<small>',
                            escape(environment.finalize(t_1(context.eval_ctx, environment.getattr(environment.getattr(l_3_field, 'guess'), 'reasons'), '; '))),
                            '</small>',
                        ))
                    t_3.append(
                        '</td></tr>\n',
                    )
                l_3_field = missing
                t_3.append(
                    '</tbody></table>',
                )
                return concat(t_3)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            t_2.append(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), markup_join(('Guessed fields', (markup_join((' of ', environment.getattr(l_1_one, 'name'), )) if environment.getattr((undefined(name='types') if l_1_types is missing else l_1_types), 'column') else ''), )), caller=caller))
        return concat(t_2)
    context.exported_vars.add('guesses')
    context.vars['guesses'] = l_0_guesses = Macro(environment, macro, 'guesses', ('one', 'fields'), False, False, False, context.eval_ctx.autoescape)
    yield from parent_template.root_render_func(context)

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_found = resolve('found')
    l_0_headline = resolve('headline')
    try:
        t_4 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_4(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    try:
        t_5 = environment.filters['sum']
    except KeyError:
        @internalcode
        def t_5(*unused):
            raise TemplateRuntimeError("No filter named 'sum' found.")
    pass
    yield '<p class="soft">'
    yield escape(environment.finalize(t_4(t_5(environment, environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'decks'), attribute='bytes'))))
    yield ' bytes. '
    yield escape(environment.finalize((undefined(name='headline') if l_0_headline is missing else l_0_headline)))
    yield '</p>'

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_found = resolve('found')
    l_0_pieces = resolve('pieces')
    l_0_sign = resolve('sign')
    l_0_says = resolve('says')
    l_0_sides = resolve('sides')
    l_0_caution = resolve('caution')
    l_0_pictures = resolve('pictures')
    l_0_lengths = resolve('lengths')
    l_0_columns = resolve('columns')
    l_0_types = resolve('types')
    l_0_fields_of = resolve('fields_of')
    l_0_sequences = resolve('sequences')
    l_0_cards = resolve('cards')
    l_0_codes = resolve('codes')
    l_0_differing = resolve('differing')
    try:
        t_4 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_4(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    try:
        t_6 = environment.filters['format']
    except KeyError:
        @internalcode
        def t_6(*unused):
            raise TemplateRuntimeError("No filter named 'format' found.")
    try:
        t_1 = environment.filters['join']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'join' found.")
    try:
        t_7 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_7(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    try:
        t_8 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_8(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    try:
        t_9 = environment.filters['upper']
    except KeyError:
        @internalcode
        def t_9(*unused):
            raise TemplateRuntimeError("No filter named 'upper' found.")
    pass
    for l_1_line in environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'warnings'):
        _loop_vars = {}
        pass
        yield '<p class="ask"><b>Please look:</b> '
        yield escape(environment.finalize(l_1_line))
        yield '.</p>'
    l_1_line = missing
    if environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'reading'), 'question'):
        pass
        yield '<p class="ask">'
        yield escape(environment.finalize(environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'reading'), 'question')))
        yield '.</p>'
    if environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'counted'):
        pass
        yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'verdict'), (undefined(name='sign') if l_0_sign is missing else l_0_sign), (undefined(name='says') if l_0_says is missing else l_0_says), (undefined(name='sides') if l_0_sides is missing else l_0_sides), ('' if environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'reading'), 'sure') else 'bad'), _block_vars=_block_vars)))
        yield '\n<p class="caution">'
        yield escape(environment.finalize((undefined(name='caution') if l_0_caution is missing else l_0_caution)))
        yield '</p>\n\n'
        if (undefined(name='pictures') if l_0_pictures is missing else l_0_pictures):
            pass
            yield '<section><h2>Pictures</h2>\n'
            def macro():
                t_10 = []
                pass
                t_10.extend((
                    '<table>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['What', 'As looked at']))),
                    '\n<tbody>',
                ))
                for (l_2_name, l_2_said) in (undefined(name='pictures') if l_0_pictures is missing else l_0_pictures):
                    _loop_vars = {}
                    pass
                    t_10.extend((
                        '<tr><td>',
                        escape(environment.finalize(l_2_name)),
                        '</td><td>',
                        escape(environment.finalize(l_2_said)),
                        '</td></tr>\n',
                    ))
                l_2_name = l_2_said = missing
                t_10.append(
                    '</tbody></table>',
                )
                return concat(t_10)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Pictures', caller=caller, _block_vars=_block_vars)
            yield '</section>\n'
        yield '\n<section><h2>Cards</h2>\n'
        if (t_7(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'decks')) > 1):
            pass
            def macro():
                t_11 = []
                pass
                t_11.extend((
                    '<table>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Cards', 'Bytes', 'First card'], (1, 2, 3)))),
                    '\n<tbody>',
                ))
                for l_2_deck in environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'decks'):
                    _loop_vars = {}
                    pass
                    t_11.extend((
                        '<tr><td class="file">',
                        escape(environment.finalize(environment.getattr(l_2_deck, 'name'))),
                        '</td>',
                        escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'cards'), _loop_vars=_loop_vars))),
                        escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'bytes'), _loop_vars=_loop_vars))),
                        '<td class="n">',
                        escape(environment.finalize(t_4(environment.getattr(l_2_deck, 'first_card')))),
                        '</td></tr>\n',
                    ))
                l_2_deck = missing
                t_11.append(
                    '</tbody></table>',
                )
                return concat(t_11)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks', caller=caller, _block_vars=_block_vars)
        if environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'odd'):
            pass
            def macro():
                t_12 = []
                l_1_odd = resolve('odd')
                pass
                t_12.extend((
                    '<table>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Cards', 'Odd cards', 'What', 'Which'], (0,)))),
                    '\n<tbody>',
                ))
                for l_2_one in (undefined(name='odd') if l_1_odd is missing else l_1_odd):
                    _loop_vars = {}
                    pass
                    t_12.extend((
                        '<tr>',
                        escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_one, 'count'), _loop_vars=_loop_vars))),
                        '<td class="mono">',
                        escape(environment.finalize(environment.getattr(l_2_one, 'reason'))),
                        '</td><td>',
                        escape(environment.finalize(environment.getattr(l_2_one, 'sentence'))),
                        '</td><td>',
                        escape(environment.finalize(environment.getattr(l_2_one, 'cards'))),
                        '</td></tr>\n',
                    ))
                l_2_one = missing
                t_12.append(
                    '</tbody></table>',
                )
                return concat(t_12)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Odd cards', caller=caller, _block_vars=_block_vars)
        else:
            pass
            yield '<p>No card is blank, a banner, short, long or otherwise odd.</p>'
        yield '<p class="soft">Records: '
        yield escape(environment.finalize((undefined(name='lengths') if l_0_lengths is missing else l_0_lengths)))
        yield '.</p></section>\n\n'
        if (undefined(name='columns') if l_0_columns is missing else l_0_columns):
            pass
            yield '<section><h2>What the columns hold</h2>\n<p>Every one of '
            yield escape(environment.finalize(t_4(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'data_cards'))))
            yield ' data cards is counted'
            if ((not environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'column')) and environment.getattr(environment.getitem(environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'types'), 0), 'guesses')):
                pass
                yield '; the numbers below lead to the guessed fields'
            yield '.</p>\n'
            yield escape(environment.finalize(environment.getattr((undefined(name='columns') if l_0_columns is missing else l_0_columns), 'legend')))
            yield '\n'
            l_1_loop = missing
            for l_1_row, l_1_loop in LoopContext(environment.getattr((undefined(name='columns') if l_0_columns is missing else l_0_columns), 'rows'), undefined):
                _loop_vars = {}
                pass
                def macro():
                    t_13 = []
                    pass
                    t_13.append(
                        escape(environment.finalize(l_1_row)),
                    )
                    return concat(t_13)
                caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
                yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), markup_join(('Columns, row ', environment.getattr(l_1_loop, 'index'), )), caller=caller, _loop_vars=_loop_vars)
            l_1_loop = l_1_row = missing
            if environment.getattr((undefined(name='columns') if l_0_columns is missing else l_0_columns), 'left'):
                pass
                yield '<p class="soft">'
                yield escape(environment.finalize(t_8(environment.getattr((undefined(name='columns') if l_0_columns is missing else l_0_columns), 'left'), 'further column')))
                yield ' not drawn.</p>'
            yield '</section>\n'
        yield '\n'
        if environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'column'):
            pass
            yield '<section><h2>Card types</h2><p>'
            yield escape(environment.finalize(t_9(environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'sentence')[:1])))
            yield escape(environment.finalize(environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'sentence')[1:]))
            yield ' ('
            yield escape(environment.finalize(environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'strength')))
            yield ').</p>\n'
            def macro():
                t_14 = []
                pass
                t_14.extend((
                    '<table>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Card type', markup_join(('Column ', environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'columns'), )), 'Cards'], (2,)))),
                    '\n<tbody>',
                ))
                for l_2_one in environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'types'):
                    _loop_vars = {}
                    pass
                    t_14.extend((
                        '<tr><td>',
                        escape(environment.finalize(environment.getattr(l_2_one, 'name'))),
                        '</td><td class="mono">',
                    ))
                    for l_3_value in environment.getattr(l_2_one, 'values'):
                        _loop_vars = {}
                        pass
                        t_14.extend((
                            "'",
                            escape(environment.finalize(l_3_value)),
                            "' ",
                        ))
                    l_3_value = missing
                    t_14.extend((
                        '</td>',
                        escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_one, 'cards'), _loop_vars=_loop_vars))),
                        '</tr>\n',
                    ))
                l_2_one = missing
                t_14.append(
                    '</tbody></table>',
                )
                return concat(t_14)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Card types', caller=caller, _block_vars=_block_vars)
            yield '</section>\n'
        l_1_loop = missing
        for (l_1_one, l_1_fields, l_1_strip), l_1_loop in LoopContext((undefined(name='fields_of') if l_0_fields_of is missing else l_0_fields_of), undefined):
            l_1_basis = resolve('basis')
            l_1_guesses = resolve('guesses')
            _loop_vars = {}
            pass
            yield '<section><h2>Guessed fields'
            if environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'column'):
                pass
                yield ' of '
                yield escape(environment.finalize(environment.getattr(l_1_one, 'name')))
                yield ', '
                yield escape(environment.finalize(t_8(environment.getattr(l_1_one, 'cards'), 'card')))
            yield '</h2>\n'
            if environment.getattr(l_1_loop, 'first'):
                pass
                yield '<p class="soft">'
                yield escape(environment.finalize((undefined(name='basis') if l_1_basis is missing else l_1_basis)))
                yield '</p>'
            if l_1_strip:
                pass
                def macro():
                    t_15 = []
                    pass
                    t_15.append(
                        escape(environment.finalize(l_1_strip)),
                    )
                    return concat(t_15)
                caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
                yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), markup_join(('Fields along the card', (markup_join((', ', environment.getattr(l_1_one, 'name'), )) if environment.getattr((undefined(name='types') if l_0_types is missing else l_0_types), 'column') else ''), )), caller=caller, _loop_vars=_loop_vars)
            yield escape(environment.finalize(context.call((undefined(name='guesses') if l_1_guesses is missing else l_1_guesses), l_1_one, l_1_fields, _loop_vars=_loop_vars)))
            yield '</section>\n'
        l_1_loop = l_1_one = l_1_fields = l_1_strip = l_1_basis = l_1_guesses = missing
        yield '\n<section><h2>Order of the cards</h2>\n'
        t_16 = 1
        for (l_1_facts, l_1_said) in (undefined(name='sequences') if l_0_sequences is missing else l_0_sequences):
            _loop_vars = {}
            pass
            yield '<p>Columns '
            yield escape(environment.finalize(environment.getattr(l_1_facts, 'first')))
            yield '–'
            yield escape(environment.finalize(environment.getattr(l_1_facts, 'last')))
            yield ': '
            yield escape(environment.finalize(l_1_said))
            yield '.</p>\n'
            t_16 = 0
        l_1_facts = l_1_said = missing
        if t_16:
            pass
            yield '<p>No column counts the cards.</p>'
        yield '</section>\n\n<section class="cards"><h2>First, last and oddest cards</h2>\n'
        for l_1_card in (undefined(name='cards') if l_0_cards is missing else l_0_cards):
            _loop_vars = {}
            pass
            yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'card'), l_1_card, _loop_vars=_loop_vars)))
        l_1_card = missing
        yield '</section>\n'
    yield '\n<section><h2>Medium and code: the evidence</h2>\n'
    if environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'reading'), 'media'):
        pass
        def macro():
            t_17 = []
            l_1_ahead = resolve('ahead')
            l_1_candidates = resolve('candidates')
            pass
            t_17.extend((
                '<table class="guesses">\n<caption>',
                escape(environment.finalize((undefined(name='ahead') if l_1_ahead is missing else l_1_ahead))),
                '</caption>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Medium and code', 'Score', 'Evidence, and how to choose it'], (1,)))),
                '\n<tbody>',
            ))
            for (l_2_one, l_2_options) in (undefined(name='candidates') if l_1_candidates is missing else l_1_candidates):
                _loop_vars = {}
                pass
                t_17.extend((
                    '<tr><td>',
                    escape(environment.finalize(environment.getattr(l_2_one, 'name'))),
                    '</td><td class="n">',
                    escape(environment.finalize(t_6('%.3f', environment.getattr(l_2_one, 'score')))),
                    '</td><td class="because">',
                    escape(environment.finalize(environment.getattr(l_2_one, 'sentence'))),
                    ".<small><code>--medium '",
                    escape(environment.finalize(l_2_options)),
                    "'</code></small></td></tr>\n",
                ))
            l_2_one = l_2_options = missing
            t_17.append(
                '</tbody></table>',
            )
            return concat(t_17)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Medium and code', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>'
        yield escape(environment.finalize(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'unranked')))
        yield '</p>'
    if (undefined(name='codes') if l_0_codes is missing else l_0_codes):
        pass
        def macro():
            t_18 = []
            pass
            t_18.extend((
                '<table class="guesses">\n<caption>Codes on this medium.</caption>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Code', 'Score', 'Reads the same', 'Evidence'], (1,)))),
                '\n<tbody>',
            ))
            for l_2_one in (undefined(name='codes') if l_0_codes is missing else l_0_codes):
                _loop_vars = {}
                pass
                t_18.extend((
                    '<tr><td>',
                    escape(environment.finalize(environment.getattr(l_2_one, 'name'))),
                    '</td><td class="n">',
                    escape(environment.finalize(t_6('%.3f', environment.getattr(l_2_one, 'score')))),
                    '</td><td>',
                    escape(environment.finalize((t_1(context.eval_ctx, environment.getattr(l_2_one, 'same'), ', ') or '–'))),
                    '</td><td class="because">',
                    escape(environment.finalize(environment.getattr(l_2_one, 'sentence'))),
                    '.</td></tr>\n',
                ))
            l_2_one = missing
            t_18.append(
                '</tbody></table>',
            )
            return concat(t_18)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Codes on this medium', caller=caller, _block_vars=_block_vars)
        if (not environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'reading'), 'runner_up')):
            pass
            yield '<p>No other likely code would change a single character.</p>\n'
        else:
            pass
            yield '<p>'
            yield escape(environment.finalize((undefined(name='differing') if l_0_differing is missing else l_0_differing)))
            yield '</p>\n'
            def macro():
                t_19 = []
                pass
                t_19.extend((
                    '<table>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Punched', (environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'code'), 'name') if environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'code') else 'Read as'), environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'reading'), 'runner_up'), 'Cells'], (3,)))),
                    '\n<tbody>',
                ))
                for (l_2_held, l_2_ours, l_2_theirs, l_2_number) in environment.getattr(environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'reading'), 'examples'):
                    _loop_vars = {}
                    pass
                    t_19.extend((
                        '<tr><td class="mono">',
                        escape(environment.finalize(l_2_held)),
                        '</td><td class="mono">',
                        escape(environment.finalize((l_2_ours or '–'))),
                        '</td><td class="mono">',
                        escape(environment.finalize((l_2_theirs or '–'))),
                        '</td>',
                        escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), l_2_number, _loop_vars=_loop_vars))),
                        '</tr>\n',
                    ))
                l_2_held = l_2_ours = l_2_theirs = l_2_number = missing
                t_19.append(
                    '</tbody></table>',
                )
                return concat(t_19)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Characters that differ', caller=caller, _block_vars=_block_vars)
    yield '</section>\n\n'
    if environment.getattr((undefined(name='found') if l_0_found is missing else l_0_found), 'counted'):
        pass
        yield '<section><h2>What the strengths mean</h2>\n'
        def macro():
            t_20 = []
            l_1_meanings = resolve('meanings')
            pass
            t_20.extend((
                '<table>',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Word', 'It holds']))),
                '\n<tbody>',
            ))
            for (l_2_word, l_2_meaning) in context.call(environment.getattr((undefined(name='meanings') if l_1_meanings is missing else l_1_meanings), 'items')):
                _loop_vars = {}
                pass
                t_20.extend((
                    '<tr><td>',
                    escape(environment.finalize(l_2_word)),
                    '</td><td>',
                    escape(environment.finalize(l_2_meaning)),
                    '</td></tr>\n',
                ))
            l_2_word = l_2_meaning = missing
            t_20.append(
                '</tbody></table>',
            )
            return concat(t_20)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'What the strengths mean', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '1=19&2=22&6=24&7=32&9=39&10=44&12=47&13=52&14=66&15=73&9=98&4=104&21=132&22=191&23=198&24=203&25=205&26=207&28=209&30=212&31=220&30=236&36=239&37=241&38=249&37=268&41=269&42=271&43=280&42=300&46=305&48=307&50=310&51=316&52=319&53=332&57=339&58=342&59=347&60=355&59=383&63=386&64=392&65=399&66=404&67=415&71=420&75=436&79=443&80=445&81=452&82=454&83=457&80=477&85=481&86=483&87=485&89=490&90=493&87=513&92=514&93=520&94=522&95=530&94=550&100=552&102=555&103=564&102=580'
